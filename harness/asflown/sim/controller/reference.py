"""The reference: a smooth motion towards the target that the craft can follow, stepped at 100 Hz.

It moves in a straight line to a position target, within limits of speed, acceleration and jerk, and slows down in
time not to overshoot. The craft is kept to the reference by `controller/position.py`. North-east-down, SI.
"""

from __future__ import annotations

from math import hypot, sqrt

from asflown.sim.interface import Limits, Target

PERIOD_S = 0.01
_FOLLOWING_PER_S = 4.0
"""How briskly the reference takes on a wanted velocity."""
_CLOSING_PER_S = 1.2
"""Speed per metre left, close to the target."""
_VERTICAL_SHARE = 0.8
"""Vertical acceleration limit as a share of the horizontal one."""
_TINY = 1e-9

Vector = tuple[float, float, float]


def approach_speed_m_s(distance_m: float, deceleration_m_s2: float) -> float:
    """Largest speed from which one can still stop: sqrt(2 a d), made linear close to the target."""
    joined = deceleration_m_s2 / (_CLOSING_PER_S * _CLOSING_PER_S)
    if distance_m < joined:
        return _CLOSING_PER_S * distance_m
    return sqrt(2.0 * deceleration_m_s2 * (distance_m - 0.5 * joined))


class Reference:
    """Position, velocity and acceleration to follow.

    A craft answers an acceleration only after it has tilted. `position` and `velocity` are what a craft with the
    lag `response_s` does when it follows the smooth motion: measured against them it is on time, and what is left is
    disturbance. `lead_velocity` and the horizontal `acceleration` run ahead by that lag, to be fed forward; the
    vertical one does not, because thrust answers at once.
    """

    __slots__ = (
        "_ahead",
        "_braking",
        "_jerk",
        "_response_s",
        "_share",
        "_wanted",
        "acceleration",
        "lead_velocity",
        "position",
        "velocity",
    )

    def __init__(self, braking: float, jerk_m_s3: float, response_s: float) -> None:
        self._braking, self._jerk, self._response_s = braking, jerk_m_s3, response_s
        self._share = PERIOD_S / (PERIOD_S + response_s)
        self.reset((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))

    def reset(self, position: Vector, velocity: Vector) -> None:
        """Starts anew from here."""
        self.position, self.velocity = position, velocity
        self._ahead, self.lead_velocity = position, velocity
        self.acceleration = self._wanted = (0.0, 0.0, 0.0)

    def step(self, target: Target, limits: Limits) -> None:
        """10 ms towards the target."""
        a_north, a_east, a_down = self._wanted = self._next_acceleration(target, limits)
        north, east, down = self.lead_velocity
        north, east, down = north + PERIOD_S * a_north, east + PERIOD_S * a_east, down + PERIOD_S * a_down
        self.lead_velocity = north, east, down
        p_north, p_east, p_down = self._ahead
        self._ahead = p_north + PERIOD_S * north, p_east + PERIOD_S * east, p_down + PERIOD_S * down
        share, late = self._share, self.acceleration[2]
        self.acceleration = a_north, a_east, late + share * (a_down - late)
        v_north, v_east, v_down = self.velocity
        self.velocity = (
            v_north + share * (north - v_north), v_east + share * (east - v_east), v_down + share * (down - v_down),
        )  # fmt: skip
        north, east, down = self._ahead
        p_north, p_east, p_down = self.position
        self.position = (
            p_north + share * (north - p_north), p_east + share * (east - p_east), p_down + share * (down - p_down),
        )  # fmt: skip

    def way_to_rest_m(self, limits: Limits) -> Vector:
        """What it covers when it is told to stop now: v^2 / 2a, after the speeding up under way has faded at its jerk.

        From a = a0 falling to 0 at the jerk j: t = a0 / j, v grows by a0 t / 2, and the way by v t + a0 t^2 / 3.
        """
        north, east, down = self.lead_velocity
        speed = sqrt(north * north + east * east + down * down)
        if speed < _TINY:
            return 0.0, 0.0, 0.0
        a_north, a_east, a_down = self._wanted
        gaining = max(0.0, (a_north * north + a_east * east + a_down * down) / speed)
        fade_s = gaining / self._jerk
        top = speed + 0.5 * gaining * fade_s
        way = speed * fade_s + gaining * fade_s * fade_s / 3.0
        way += top * top / (2.0 * self._braking * limits.acceleration_m_s2)
        scale = way / speed
        return north * scale, east * scale, down * scale

    def keep_near(
        self, north_m: float, east_m: float, down_m: float, level_m: float, upright_m: float
    ) -> None:
        """Never runs away from the craft by more than these distances."""
        p_north, p_east, p_down = self.position
        d_north, d_east, d_down = p_north - north_m, p_east - east_m, p_down - down_m
        away = hypot(d_north, d_east)
        if away <= level_m and -upright_m <= d_down <= upright_m:
            return
        back = min(1.0, level_m / away) - 1.0 if away > 0.0 else 0.0
        s_north, s_east = d_north * back, d_east * back
        s_down = min(upright_m, max(-upright_m, d_down)) - d_down
        self.position = p_north + s_north, p_east + s_east, p_down + s_down
        p_north, p_east, p_down = self._ahead
        self._ahead = p_north + s_north, p_east + s_east, p_down + s_down

    def _next_acceleration(self, target: Target, limits: Limits) -> Vector:
        wanted = self._wanted_velocity(target, limits)
        north, east, down = self.lead_velocity
        f_north, f_east, f_down = target.acceleration_ned_m_s2
        a_north, a_east, a_down = _limited(
            _FOLLOWING_PER_S * (wanted[0] - north) + f_north,
            _FOLLOWING_PER_S * (wanted[1] - east) + f_east,
            _FOLLOWING_PER_S * (wanted[2] - down) + f_down,
            limits.acceleration_m_s2,
        )
        o_north, o_east, o_down = self._wanted
        j_north, j_east, j_down = a_north - o_north, a_east - o_east, a_down - o_down
        size, most = sqrt(j_north * j_north + j_east * j_east + j_down * j_down), self._jerk * PERIOD_S
        if size <= most:
            return a_north, a_east, a_down
        shrink = most / size
        return o_north + shrink * j_north, o_east + shrink * j_east, o_down + shrink * j_down

    def _wanted_velocity(self, target: Target, limits: Limits) -> Vector:
        level = limits.speed_m_s
        if target.speed_limit_m_s is not None:
            level = min(level, target.speed_limit_m_s)
        f_north, f_east = target.velocity_north_m_s or 0.0, target.velocity_east_m_s or 0.0
        f_down, lead_s = target.velocity_down_m_s or 0.0, self._response_s
        p_north, p_east, p_down = self._ahead
        d_north = d_east = d_down = 0.0
        if (
            target.north_m is not None and target.east_m is not None
        ):  # where a moving point will be after the lag
            d_north = target.north_m + lead_s * f_north - p_north
            d_east = target.east_m + lead_s * f_east - p_east
        if target.down_m is not None:
            d_down = target.down_m + lead_s * f_down - p_down
        north, east, down = self._towards(d_north, d_east, d_down, level, limits)
        north, east, down = north + f_north, east + f_east, down + f_down
        size = hypot(north, east)
        if size > level:
            north, east = north * level / size, east * level / size
        return north, east, min(limits.descent_m_s, max(-limits.climb_m_s, down))

    def _towards(self, north: float, east: float, down: float, level: float, limits: Limits) -> Vector:
        """The velocity straight towards a point this far away: one speed along the line, so that it stays straight."""
        flat = hypot(north, east)
        distance = hypot(flat, down)
        if distance < _TINY:
            return 0.0, 0.0, 0.0
        flat_share, steep_share = flat / distance + _TINY, abs(down) / distance + _TINY
        steep = limits.descent_m_s if down > 0.0 else limits.climb_m_s
        top = min(level / flat_share, steep / steep_share)
        braking = self._braking * limits.acceleration_m_s2
        speed = min(
            top, approach_speed_m_s(distance, braking * min(1 / flat_share, _VERTICAL_SHARE / steep_share))
        )
        scale = speed / distance
        return north * scale, east * scale, down * scale


def _limited(north: float, east: float, down: float, most: float) -> Vector:
    """Shrinks an acceleration as a whole until both its parts are within limits."""
    size = hypot(north, east)
    upright = _VERTICAL_SHARE * most
    if size <= most and -upright <= down <= upright:
        return north, east, down
    excess = max(1.0, size / most, abs(down) / upright)
    return north / excess, east / excess, down / excess

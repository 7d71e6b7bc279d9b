"""What scripts may ask of a flying craft besides a mode: take-off, landing, places, turns, speed, home.

Each request is answered at once: accepted means that it will be attempted, not that it is done.
"""

from __future__ import annotations

import math

from asflown.frames import angle_difference, wrap_angle
from asflown.sim.answer import DENIED, NOT_NOW, YES, Answer
from asflown.sim.autopilot import Autopilot
from asflown.sim.identity import ModeName
from asflown.sim.orbit import Order
from asflown.sim.set_points import SetPoint
from asflown.sim.situation import Point, Turn

PartOfPoint = tuple[float | None, float | None, float | None]
"""North, east, down in metres; None means as it is now."""

_LOWEST_TAKE_OFF_M = 0.3
_HIGHEST_TAKE_OFF_M = 500.0
_LAND_PLACE_WITHIN_M = 5.0
_SLOWEST_M_S = 0.1


class Requests:
    """Puts requests to one autopilot."""

    def __init__(self, autopilot: Autopilot) -> None:
        self._autopilot = autopilot
        self._situation = autopilot.situation

    def take_off(self, height_m: float | None) -> Answer:
        """Climbs straight up to `height_m` above the ground (None: the parameter's), at the heading it has.

        In set-points mode it is flown in that mode, so that set-points may follow at once; otherwise in take-off,
        and position hold follows.
        """
        if height_m is not None and not _LOWEST_TAKE_OFF_M <= height_m <= _HIGHEST_TAKE_OFF_M:
            return Answer(DENIED, f"take-off refused: height {height_m:.1f} m")
        autopilot = self._autopilot
        refused = autopilot.take_off.refuses(self._situation)
        if refused:
            return Answer(NOT_NOW, f"take-off refused: {refused}")
        if autopilot.mode is autopilot.set_points:
            height_m = height_m or autopilot.parameters["takeoff.height"]
            autopilot.set_points.climb(self._situation, height_m)
            return YES
        if autopilot.mode is autopilot.take_off:
            return Answer(NOT_NOW, "take-off refused: taking off already")
        autopilot.take_off.height_m = height_m
        answer = autopilot.request_mode(ModeName.TAKE_OFF)
        autopilot.take_off.height_m = None  # meant for this take-off alone, even if it was refused
        return answer

    def land(self, place: tuple[float, float] | None) -> Answer:
        """Lands where the craft is, or at a place (north, east) within 5 m of it."""
        here = self._situation.here()
        if place is not None and math.dist(place, here[:2]) > _LAND_PLACE_WITHIN_M:
            return Answer(DENIED, "landing refused: fly to the place first")
        land = self._autopilot.land
        land.place = place
        answer = self._autopilot.request_mode(ModeName.LAND)
        land.place = None  # meant for this landing alone, even if it was refused or under way already
        return answer

    def reposition(
        self, part: PartOfPoint, yaw_rad: float | None, speed_m_s: float | None, change_mode: bool
    ) -> Answer:
        """Flies to a point and holds there.

        In set-points mode the point is a set-point. In another mode it needs `change_mode`, and is flown in
        position hold.
        """
        autopilot, situation = self._autopilot, self._situation
        answer = self.may_reposition(change_mode)
        if answer is not YES:
            return answer
        point = _completed(part, situation.resting_point())
        if autopilot.mode is autopilot.set_points:
            situation.speed_limit_m_s = speed_m_s or situation.speed_limit_m_s
            autopilot.set_points.obey(situation, SetPoint(*point, yaw_rad=yaw_rad))
            return YES
        answer = autopilot.request_mode(ModeName.POSITION_HOLD)
        if answer is YES:
            if yaw_rad is not None:
                situation.keep_yaw(wrap_angle(yaw_rad))
            autopilot.hold.move(situation, point, speed_m_s)
        return answer

    def may_reposition(self, change_mode: bool) -> Answer:
        """Whether the craft can be sent to a place now."""
        autopilot = self._autopilot
        refused = ""
        if not autopilot.core.armed or autopilot.core.on_ground:
            refused = "not flying"
        elif autopilot.mode not in (autopilot.hold, autopilot.set_points):
            refused = (
                autopilot.why_not(autopilot.hold) if change_mode else f"mode is {autopilot.mode.name.words}"
            )
        return Answer(NOT_NOW, f"reposition refused: {refused}") if refused else YES

    def orbit(self, order: Order) -> Answer:
        """Circles a place; while circling already, the new circle takes the place of the old one."""
        autopilot = self._autopilot
        refused = autopilot.why_not(autopilot.orbit)
        if refused:
            return Answer(NOT_NOW, f"orbit refused: {refused}")
        autopilot.orbit.order = order
        if autopilot.mode is autopilot.orbit:
            autopilot.paused_at = None
            autopilot.orbit.enter(self._situation)
            return YES
        answer = autopilot.request_mode(ModeName.ORBIT)
        autopilot.orbit.order = order if answer is YES else Order()
        return answer

    def turn_to(self, angle_rad: float, direction: int, rate_rad_s: float | None, relative: bool) -> Answer:
        """Turns on the spot or on the way. `direction`: 1 clockwise, -1 the other way, 0 the shorter one."""
        core = self._autopilot.core
        if not core.armed or core.on_ground:
            return Answer(NOT_NOW, "turn refused: not flying")
        if core.target.yaw_rad is None:
            return Answer(NOT_NOW, "turn refused: a set-point controls the yaw")
        left_rad = angle_rad if relative else angle_difference(angle_rad, self._situation.yaw_rad)
        if relative and direction < 0:
            left_rad = -left_rad
        elif not relative and direction * left_rad < 0:
            left_rad += math.copysign(math.tau, direction)
        fastest = core.limits.yaw_rate_rad_s
        self._situation.turn = Turn(left_rad, min(rate_rad_s or fastest, fastest))
        return YES

    def change_speed(self, speed_m_s: float | None) -> Answer:
        """Limits the ground speed until the mode changes; None for the vehicle's own."""
        core = self._autopilot.core
        fastest = core.limits.speed_m_s
        if speed_m_s is not None and not _SLOWEST_M_S <= speed_m_s <= fastest:
            return Answer(DENIED, f"speed refused: {_SLOWEST_M_S:g} to {fastest:g} m/s only")
        self._situation.speed_limit_m_s = core.target.speed_limit_m_s = speed_m_s
        return YES

    def set_home(self, point: Point | None) -> Answer:
        """Makes a point home, or the place where the craft is. Arming sets it anew."""
        estimate = self._situation.estimate
        if not estimate.position_valid:
            return Answer(NOT_NOW, "home refused: no valid position yet")
        self._situation.home = point or self._situation.here()
        self._situation.home_yaw_rad = estimate.yaw_rad
        return YES


def _completed(part: PartOfPoint, otherwise: Point) -> Point:
    north_m, east_m, down_m = part
    return (
        otherwise[0] if north_m is None else north_m,
        otherwise[1] if east_m is None else east_m,
        otherwise[2] if down_m is None else down_m,
    )

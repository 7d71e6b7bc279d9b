"""The orbit mode: flies to the nearest point of a circle, then round it, as often as asked for.

The point that is followed moves along the circle and waits when the craft is left behind. Entered without an
order, it circles a centre straight ahead, one radius away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

from asflown.sim.identity import ModeName
from asflown.sim.interface import TICK_US, Target
from asflown.sim.situation import Point, Situation

_TICK_S = TICK_US / 1e6
_ON_CIRCLE_M = 0.7
_LEFT_BEHIND_M = 2.0
_TURNING_SHARE = 0.6
"""Share of the acceleration limit that circling may take."""
_ALONG_SHARE = 0.4
"""Share of it that the speed along the circle may grow and fall with."""
_CREEP_M_S = 0.1
_SPEED_SHARE = 0.9
"""Share of the speed limit that circling may take, so that the craft can catch up."""


class Facing(IntEnum):
    """Where the nose points, numbered as ORBIT_YAW_BEHAVIOUR."""

    CENTRE = 0
    INITIAL = 1
    UNCONTROLLED = 2
    TANGENT = 3
    UNCHANGED = 5


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be circled. A None is the parameter's value, or where the craft is."""

    centre: tuple[float, float] | None = None
    down_m: float | None = None
    radius_m: float | None = None
    clockwise: bool = True
    speed_m_s: float | None = None
    facing: Facing = Facing.CENTRE
    turn_rad: float = 0.0
    """How far round, then position hold follows; 0 without end."""


class Orbit:
    """Circles."""

    name = ModeName.ORBIT
    landing = False
    needs_link = True

    def __init__(self) -> None:
        self.order = Order()
        """For the entry that follows."""
        self.centre: Point = (0.0, 0.0, 0.0)
        self.radius_m = 0.0
        """Positive clockwise, as ORBIT_EXECUTION_STATUS has it."""
        self._speed_m_s = self._now_m_s = self._angle_rad = self._flown_rad = 0.0
        self._arrived = self._resumed = False

    def refuses(self, situation: Situation) -> str:
        """On the ground."""
        return "not flying" if situation.core.on_ground else ""

    def enter(self, situation: Situation) -> None:
        """Sets out for the circle; after a pause it goes on with what is left."""
        if not self._resumed:
            self._lay_out(situation)
        self._resumed = False
        north_m, east_m, _ = situation.here()
        self._angle_rad = math.atan2(east_m - self.centre[1], north_m - self.centre[0])
        self._arrived, self._now_m_s = False, 0.0
        situation.fly_to(self._point(), self._speed_m_s)

    def pause(self) -> None:
        """The entry that follows goes on with this circle."""
        self._resumed = True

    def tick(self, situation: Situation) -> ModeName | None:
        """10 ms round the circle; position hold when it was flown as often as asked for."""
        point = self._point()
        away_m = math.dist(point, situation.here())
        if not self._arrived:
            self._arrived = away_m < _ON_CIRCLE_M
            self._face(situation)
            situation.core.target.yaw_rad = situation.yaw_rad
            return None
        if away_m < _LEFT_BEHIND_M:
            self._now_m_s = self._next_speed_m_s(situation)
            step_rad = self._now_m_s / abs(self.radius_m) * _TICK_S
            self._angle_rad = math.remainder(
                self._angle_rad + math.copysign(step_rad, self.radius_m), math.tau
            )
            self._flown_rad += step_rad
        self._face(situation)
        situation.core.target = self._moving_target(situation.yaw_rad)
        done = 0.0 < self.order.turn_rad <= self._flown_rad
        return ModeName.POSITION_HOLD if done else None

    def _lay_out(self, situation: Situation) -> None:
        order, limits = self.order, situation.core.limits
        north_m, east_m, down_m = situation.resting_point()
        radius_m = order.radius_m or situation.parameters["orbit.radius"]
        yaw_rad = situation.estimate.yaw_rad
        ahead = north_m + radius_m * math.cos(yaw_rad), east_m + radius_m * math.sin(yaw_rad)
        centre = ahead if order.centre is None else order.centre
        self.centre = (*centre, down_m if order.down_m is None else order.down_m)
        self.radius_m = radius_m if order.clockwise else -radius_m
        fastest = min(
            _SPEED_SHARE * limits.speed_m_s, math.sqrt(_TURNING_SHARE * limits.acceleration_m_s2 * radius_m)
        )
        self._speed_m_s = min(order.speed_m_s or situation.parameters["orbit.speed"], fastest)
        self._flown_rad = 0.0

    def _point(self) -> Point:
        radius_m = abs(self.radius_m)
        return (
            self.centre[0] + radius_m * math.cos(self._angle_rad),
            self.centre[1] + radius_m * math.sin(self._angle_rad),
            self.centre[2],
        )

    def _next_speed_m_s(self, situation: Situation) -> float:
        """Grows to the speed of the order, and falls in time to come to rest where the order ends."""
        along_m_s2 = _ALONG_SHARE * situation.core.limits.acceleration_m_s2
        speed_m_s = min(self._speed_m_s, self._now_m_s + along_m_s2 * _TICK_S)
        if self.order.turn_rad == 0.0:
            return speed_m_s
        left_m = (self.order.turn_rad - self._flown_rad) * abs(self.radius_m)
        return min(speed_m_s, math.sqrt(2 * along_m_s2 * max(left_m, 0.0)) + _CREEP_M_S)

    def _moving_target(self, yaw_rad: float) -> Target:
        north_m, east_m, down_m = self._point()
        speed_m_s = math.copysign(self._now_m_s, self.radius_m)
        inward_m_s2 = self._now_m_s**2 / abs(self.radius_m)
        cos, sin = math.cos(self._angle_rad), math.sin(self._angle_rad)
        return Target(
            north_m, east_m, down_m, -speed_m_s * sin, speed_m_s * cos, 0.0,
            acceleration_ned_m_s2=(-inward_m_s2 * cos, -inward_m_s2 * sin, 0.0), yaw_rad=yaw_rad,
        )  # fmt: skip

    def _face(self, situation: Situation) -> None:
        facing = self.order.facing
        if facing is Facing.CENTRE:
            situation.keep_yaw(math.remainder(self._angle_rad + math.pi, math.tau))
        elif facing is Facing.TANGENT:
            quarter_rad = math.copysign(math.pi / 2, self.radius_m)
            situation.keep_yaw(math.remainder(self._angle_rad + quarter_rad, math.tau))

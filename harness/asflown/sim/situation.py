"""What modes see and act on: the flight core, parameters, home, the heading to keep, and the time.

Positions are north-east-down metres about the estimator's origin. Nothing here speaks MAVLink.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from asflown.frames import TangentPlane
from asflown.sim.interface import TICK_US, Estimate, FlightCore, Target
from asflown.sim.parameters import Parameters
from asflown.sim.sticks import Sticks

Point = tuple[float, float, float]
"""North, east, down in metres about the estimator's origin."""

_TICK_S = TICK_US / 1e6
_AT_TARGET_M = 1.0


@dataclass(slots=True)
class Turn:
    """A turn under way: what is left of it (clockwise positive) and how fast it goes."""

    left_rad: float
    rate_rad_s: float


class Situation:
    """The state that all modes of one craft share."""

    def __init__(self, core: FlightCore, parameters: Parameters) -> None:
        self.core = core
        self.parameters = parameters
        self.now_us = 0
        self.home: Point | None = None
        self.home_yaw_rad = 0.0
        self.yaw_rad = 0.0
        """The heading to keep when nothing else controls it."""
        self.turn: Turn | None = None
        self.speed_limit_m_s: float | None = None
        """Asked for by command, until the mode changes."""
        self.sticks = Sticks()
        self.rally_points: tuple[tuple[float, float], ...] = ()
        """Other places to come home to: latitude and longitude in degrees."""
        self._plane: TangentPlane | None = None

    @property
    def estimate(self) -> Estimate:
        """What the vehicle believes."""
        return self.core.estimate

    @property
    def placed(self) -> bool:
        """Whether home can be named in latitude and longitude."""
        return self.home is not None and self.core.estimate.origin_known

    def here(self) -> Point:
        """The estimated position."""
        estimate = self.core.estimate
        return estimate.north_m, estimate.east_m, estimate.down_m

    def resting_point(self) -> Point:
        """Where to hold: where the craft can come to rest, or the target's point when that is close by."""
        rest = self.core.rest_ned_m()
        point = point_of(self.core.target)
        return point if point is not None and math.dist(point, rest) < _AT_TARGET_M else rest

    def fly_to(self, point: Point, speed_limit_m_s: float | None = None) -> None:
        """Makes `point` the target, at the heading to keep."""
        self.core.target = Target(
            north_m=point[0],
            east_m=point[1],
            down_m=point[2],
            yaw_rad=self.yaw_rad,
            speed_limit_m_s=speed_limit_m_s or self.speed_limit_m_s,
        )

    def land_at(self, north_m: float, east_m: float) -> None:
        """Makes the descent to the ground at a place the target; on the ground it keeps the craft there."""
        self.core.target = Target(north_m=north_m, east_m=east_m, yaw_rad=self.yaw_rad, land=True)

    def stay_on_ground(self) -> None:
        """Keeps an armed craft where it stands."""
        estimate = self.core.estimate
        self.land_at(estimate.north_m, estimate.east_m)

    def keep_yaw(self, yaw_rad: float) -> None:
        """From now on this is the heading to keep; ends a turn."""
        self.yaw_rad, self.turn = yaw_rad, None

    def step_turn(self) -> None:
        """10 ms of the turn under way, if there is one."""
        turn, target = self.turn, self.core.target
        if turn is None or target.yaw_rad is None:
            return
        step = math.copysign(min(abs(turn.left_rad), turn.rate_rad_s * _TICK_S), turn.left_rad)
        turn.left_rad -= step
        self.yaw_rad = math.remainder(self.yaw_rad + step, math.tau)
        target.yaw_rad = self.yaw_rad
        if turn.left_rad == 0.0:
            self.turn = None

    def plane(self) -> TangentPlane:
        """The tangent plane at the estimator's origin."""
        e = self.core.estimate
        origin = (e.origin_latitude_deg, e.origin_longitude_deg, e.origin_altitude_m)
        plane = self._plane
        if plane is None or (plane.latitude_deg, plane.longitude_deg, plane.height_m) != origin:
            plane = self._plane = TangentPlane(*origin)
        return plane


def point_of(target: Target) -> Point | None:
    """The point that the target holds, or None when it does not fix all three coordinates."""
    if target.land or target.north_m is None or target.east_m is None or target.down_m is None:
        return None
    return target.north_m, target.east_m, target.down_m


def speed_m_s(estimate: Estimate) -> float:
    """The length of the estimated velocity."""
    return math.hypot(estimate.velocity_north_m_s, estimate.velocity_east_m_s, estimate.velocity_down_m_s)

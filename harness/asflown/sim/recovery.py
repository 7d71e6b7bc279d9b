"""Safe recovery: up to the return height or as high as it is, straight home, and down.

Home is the nearest of home and the rally points; fences are not flown round. Within 2 m of it the craft goes
down at once. It needs a home and a valid position; without them the autopilot lands.
"""

from __future__ import annotations

import math

from asflown.sim.identity import ModeName
from asflown.sim.situation import Point, Situation, speed_m_s

_AT_HOME_M = 2.0
_ARRIVED_M = 0.6
_HEIGHT_REACHED_M = 0.4
_SLOW_M_S = 0.7


class SafeRecovery:
    """Brings the craft home and lands it there."""

    name = ModeName.SAFE_RECOVERY
    needs_link = False

    def __init__(self) -> None:
        self.landing = False
        self._waypoints: list[Point] = []
        self._place: Point = (0.0, 0.0, 0.0)

    def refuses(self, situation: Situation) -> str:
        """Without a home, or with motors that do not run."""
        if not situation.core.armed:
            return "not flying"
        return "" if situation.home is not None else "no home yet"

    def enter(self, situation: Situation) -> None:
        """Sets out: up, home, down."""
        home = self._place = nearest_place(situation)
        north_m, east_m, down_m = situation.resting_point()
        return_down_m = min(down_m, home[2] - situation.parameters["return.height"])
        self.landing = False
        self._waypoints = [(north_m, east_m, return_down_m), (home[0], home[1], return_down_m)]
        if math.hypot(north_m - home[0], east_m - home[1]) < _AT_HOME_M or situation.core.on_ground:
            self._waypoints = []
        self._next(situation)

    def tick(self, situation: Situation) -> ModeName | None:
        """Goes on to the next stretch when one is flown."""
        if self._waypoints and self._reached(situation, self._waypoints[0]):
            del self._waypoints[0]
            self._next(situation)
        return None

    def _next(self, situation: Situation) -> None:
        if self._waypoints:
            situation.fly_to(self._waypoints[0])
            return
        self.landing = True
        if situation.core.on_ground or situation.home is None:
            situation.stay_on_ground()
        else:
            situation.land_at(self._place[0], self._place[1])

    @staticmethod
    def _reached(situation: Situation, point: Point) -> bool:
        here = situation.here()
        near = math.hypot(here[0] - point[0], here[1] - point[1]) < _ARRIVED_M
        high = abs(here[2] - point[2]) < _HEIGHT_REACHED_M
        return near and high and speed_m_s(situation.estimate) < _SLOW_M_S


def nearest_place(situation: Situation) -> Point:
    """Home or a rally point, whichever is nearest; a rally point at the height of home."""
    home, plane = situation.home or situation.here(), situation.plane()
    places = [home]
    for latitude_deg, longitude_deg in situation.rally_points if situation.placed else ():
        north_m, east_m, _ = plane.to_ned(latitude_deg, longitude_deg, plane.height_m)
        places.append((north_m, east_m, home[2]))
    here = situation.here()
    return min(places, key=lambda place: math.dist(place[:2], here[:2]))

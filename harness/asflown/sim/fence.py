"""The fence: areas to stay inside of, areas to stay out of, a ceiling and a greatest distance from home.

Areas come as a fence plan (MISSION_TYPE_FENCE): polygons and circles in latitude and longitude, without height.
A craft must be inside every inclusion area of at least one group, and outside every exclusion area. Ceiling and
distance are parameters. Nothing here acts: `failsafes` does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav

from asflown.frames import TangentPlane
from asflown.sim.plan_item import PlanItem
from asflown.sim.situation import Point, Situation

POLYGON_IN = int(mav.MAV_CMD_NAV_FENCE_POLYGON_VERTEX_INCLUSION)
POLYGON_OUT = int(mav.MAV_CMD_NAV_FENCE_POLYGON_VERTEX_EXCLUSION)
CIRCLE_IN = int(mav.MAV_CMD_NAV_FENCE_CIRCLE_INCLUSION)
CIRCLE_OUT = int(mav.MAV_CMD_NAV_FENCE_CIRCLE_EXCLUSION)
POLYGONS = frozenset({POLYGON_IN, POLYGON_OUT})
CIRCLES = frozenset({CIRCLE_IN, CIRCLE_OUT})
COMMANDS = POLYGONS | CIRCLES

NO_BREACH = int(mav.FENCE_BREACH_NONE)
CEILING = int(mav.FENCE_BREACH_MAXALT)
BOUNDARY = int(mav.FENCE_BREACH_BOUNDARY)

Place = tuple[float, float]

_REACTS_IN_S = 0.3


@dataclass(frozen=True, slots=True)
class Area:
    """A polygon (corners in degrees) or a circle (one corner, its centre, and a radius)."""

    corners: tuple[Place, ...]
    radius_m: float
    inclusion: bool
    group: int

    def holds(self, place: Place, plane: TangentPlane) -> bool:
        """Whether a place (north, east) is inside."""
        corners = [plane.to_ned(*corner, plane.height_m)[:2] for corner in self.corners]
        if self.radius_m > 0.0:
            return math.dist(corners[0], place) <= self.radius_m
        return inside(place, corners)


def inside(place: Place, corners: Sequence[Place]) -> bool:
    """Whether a place is inside a polygon: a ray to the east crosses its edges an odd number of times."""
    x, y = place
    odd = False
    for (ax, ay), (bx, by) in zip(corners, [*corners[1:], corners[0]], strict=True):
        if (ax > x) != (bx > x) and y < ay + (x - ax) / (bx - ax) * (by - ay):
            odd = not odd
    return odd


def areas_of(items: Sequence[PlanItem]) -> tuple[Area, ...] | int:
    """The areas of a plan, or the MAV_MISSION_RESULT that says what is wrong with it."""
    found: list[Area] = []
    left = list(items)
    while left:
        first = left[0]
        if first.command in CIRCLES:
            corners, radius_m = left[:1], first.params[0]
            if not 0.0 < radius_m < math.inf:
                return int(mav.MAV_MISSION_INVALID_PARAM1)
        else:
            count, radius_m = first.params[0], 0.0
            if not (math.isfinite(count) and count >= 3 and count.is_integer() and count <= len(left)):
                return int(mav.MAV_MISSION_INVALID_PARAM1)
            corners = left[: int(count)]
            if any((c.command, c.params[0]) != (first.command, count) for c in corners):
                return int(mav.MAV_MISSION_INVALID)
        group = int(first.params[1]) if math.isfinite(first.params[1]) else 0
        places = tuple((corner.x / 1e7, corner.y / 1e7) for corner in corners)
        found.append(Area(places, radius_m, first.command in {POLYGON_IN, CIRCLE_IN}, group))
        del left[: len(corners)]
    return tuple(found)


class Fence:
    """What holds now, and what was breached."""

    def __init__(self) -> None:
        self.areas: tuple[Area, ...] = ()
        self.enabled = True
        self.breach = NO_BREACH
        """FENCE_BREACH of this moment, or of where the craft would come to rest."""
        self.breach_count = 0
        self.breach_ms = 0

    def look(self, situation: Situation) -> int:
        """The breach now, or where the craft would come to rest if it braked now; 0 when there is none."""
        found = NO_BREACH
        if self.enabled and situation.estimate.position_valid:
            here = situation.here()
            found = self.at(here, situation)
            found = found or self.at(_stops_at(situation), situation)
        if found and not self.breach:
            self.breach_count += 1
            self.breach_ms = situation.now_us // 1000
        self.breach = found
        return found

    def at(self, point: Point, situation: Situation) -> int:
        """FENCE_BREACH of a point; 0 when it is allowed."""
        home, parameters = situation.home, situation.parameters
        ceiling_m, farthest_m = parameters["fence.ceiling"], parameters["fence.distance"]
        if home is not None and ceiling_m > 0.0 and home[2] - point[2] > ceiling_m:
            return CEILING
        if home is not None and farthest_m > 0.0 and math.dist(home[:2], point[:2]) > farthest_m:
            return BOUNDARY
        if self.areas and not self._allowed((point[0], point[1]), situation.plane()):
            return BOUNDARY
        return NO_BREACH

    def _allowed(self, place: Place, plane: TangentPlane) -> bool:
        groups: dict[int, bool] = {}
        for area in self.areas:
            held = area.holds(place, plane)
            if area.inclusion:
                groups[area.group] = groups.get(area.group, True) and held
            elif held:
                return False
        return not groups or any(groups.values())


def _stops_at(situation: Situation) -> Point:
    """Where the craft surely comes to rest, with time to react: farther than it needs."""
    e, (north_m, east_m, down_m) = situation.estimate, situation.core.rest_ned_m()
    return (
        north_m + e.velocity_north_m_s * _REACTS_IN_S,
        east_m + e.velocity_east_m_s * _REACTS_IN_S,
        down_m + e.velocity_down_m_s * _REACTS_IN_S,
    )

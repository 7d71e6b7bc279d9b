"""Which leg of the expected path a flight is on, for those who watch it; grading does not ask here.

Invariant: the leg never goes back, and the distance told is that from the leg told, so it is never less than that
from the whole path. A leg that a script leaves out is noticed only when it comes near a later one in order.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from asflown.scenario.model import Scenario
from asflown.scenario.path import PathLeg, Xyu, resolve_path

ARRIVED_M = 0.5
"""So near to its end a leg is over."""
NEARER_M = 0.75
"""A later leg must be nearer by this; more than ARRIVED_M, so that a hold is not left on arrival."""


@dataclass(frozen=True, slots=True)
class Along:
    """The leg being flown, of how many, of which kind, and the distance from it in metres, in space."""

    leg: int
    legs: int
    kind: str
    off_m: float


class Follower:
    """Follows one flight along its path."""

    def __init__(self, path: Sequence[PathLeg]) -> None:
        """`path` has at least one leg."""
        self._path = path
        self._at = 0
        self._was_away = False

    def see(self, place_xyu_m: Xyu) -> Along:
        """Takes the newest place, x, y, u in metres in the path's axes."""
        while (ahead := self._next(place_xyu_m)) is not None:
            self._at, self._was_away = ahead, False
        leg = self._path[self._at]
        return Along(leg.index, len(self._path), leg.kind, leg_distance_m(leg, place_xyu_m))

    def _next(self, place: Xyu) -> int | None:
        """The place in the path to go on to; None to stay."""
        leg = self._path[self._at]
        if self._at + 1 == len(self._path):
            return None
        to_end_m = math.dist(place, leg.end_xyu_m)
        self._was_away = self._was_away or to_end_m > ARRIVED_M  # a full circle begins where it ends
        if leg.kind != "hold" and self._was_away and to_end_m <= ARRIVED_M:
            return self._at + 1
        ahead = self._following()
        nearer = leg_distance_m(self._path[ahead], place) < leg_distance_m(leg, place) - NEARER_M
        return ahead if nearer else None

    def _following(self) -> int:
        """The next leg that leads anywhere: a hold, a point of the leg before it, is never nearer than that."""
        later = range(self._at + 1, len(self._path))
        return next((at for at in later if self._path[at].kind != "hold"), self._at + 1)


def leg_distance_m(leg: PathLeg, place: Xyu) -> float:
    """Distance of a place from the nearest place of the leg, in space; x, y, u in metres."""
    if leg.centre_xy_m is not None:
        return math.dist(place, _on_arc(leg, leg.centre_xy_m, place))
    step = [end - start for start, end in zip(leg.start_xyu_m, leg.end_xyu_m, strict=True)]
    squared_m2 = sum(one * one for one in step)
    if squared_m2 == 0:
        return math.dist(place, leg.start_xyu_m)
    from_start = [here - start for here, start in zip(place, leg.start_xyu_m, strict=True)]
    share = sum(a * b for a, b in zip(from_start, step, strict=True)) / squared_m2
    share = min(1.0, max(0.0, share))
    foot = [start + share * one for start, one in zip(leg.start_xyu_m, step, strict=True)]
    return math.dist(place, foot)


def _on_arc(leg: PathLeg, centre_xy_m: tuple[float, float], place: Xyu) -> Xyu:
    """The place of the arc at the nearest angle."""
    began_rad = math.atan2(leg.start_xyu_m[1] - centre_xy_m[1], leg.start_xyu_m[0] - centre_xy_m[0])
    angle_rad = math.atan2(place[1] - centre_xy_m[1], place[0] - centre_xy_m[0])
    if math.copysign(1.0, leg.turn_rad) * (angle_rad - began_rad) % math.tau > abs(leg.turn_rad):
        return min((leg.start_xyu_m, leg.end_xyu_m), key=lambda end: math.dist(place, end))
    x_m = centre_xy_m[0] + leg.radius_m * math.cos(angle_rad)
    return x_m, centre_xy_m[1] + leg.radius_m * math.sin(angle_rad), leg.start_xyu_m[2]


class FlightFollower:
    """Follows a flight of a scenario by what its vehicle reports about the place where it armed."""

    def __init__(self, scenario: Scenario) -> None:
        """Takes the start heading and offset as the scenario has them. Raises LegProblem for a wrong path."""
        expected, start = scenario.expect.path, scenario.start
        path = () if expected is None else resolve_path(expected, start.home)
        self._follower = Follower(path) if path else None
        self._from_start = expected is not None and expected.frame == "start-heading"
        self._heading_rad, self._offset = start.heading_rad, start.offset

    def see(self, start_ned_m: Xyu | None, north_m: float, east_m: float, down_m: float) -> Along | None:
        """Takes where the vehicle armed and where it is, metres north-east-down; None where nothing is known."""
        if self._follower is None or start_ned_m is None:
            return None
        north_m, east_m, up_m = north_m - start_ned_m[0], east_m - start_ned_m[1], start_ned_m[2] - down_m
        if not self._from_start:
            return self._follower.see((north_m + self._offset.north_m, east_m + self._offset.east_m, up_m))
        cosine, sine = math.cos(self._heading_rad), math.sin(self._heading_rad)
        place = (cosine * north_m + sine * east_m, cosine * east_m - sine * north_m, up_m)
        return self._follower.see(place)

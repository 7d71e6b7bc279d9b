"""The expected path as geometry: legs laid end to end from the start point on the ground.

Coordinates are x, y, u in metres from the start point: x forward and y right of the start heading in the frame
`start-heading`, x north and y east in `north-east` and `geodetic` (about home); u is up. Each leg begins where
the one before it ended.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from asflown.errors import LegProblem
from asflown.frames import FloatArray, TangentPlane
from asflown.scenario.model import (
    Arc,
    Climb,
    ExpectedPath,
    GeoCentre,
    GeoPoint,
    Hold,
    Home,
    Land,
    Leg,
    Line,
    Return,
)

LegKind = Literal["climb", "line", "arc", "hold", "return", "land"]
KINDS: tuple[LegKind, ...] = ("climb", "line", "arc", "hold", "return", "land")
Xyu = tuple[float, float, float]

SMALLEST_LEG_M = 0.01
"""Shorter legs, and arcs of smaller radius, are taken for slips of the pen."""
LONGEST_LEG_M = 100_000.0
"""So are longer ones, which a tangent plane would not fit either."""


@dataclass(frozen=True, slots=True)
class PathLeg:
    """One leg. `centre_xy_m`, `turn_rad` (clockwise from above positive) and `radius_m` belong to arcs alone."""

    index: int
    """Counts from 1."""
    kind: LegKind
    name: str
    """As a person names it: `leg 4 (line to 8, 6, 3 m)`."""
    start_xyu_m: Xyu
    end_xyu_m: Xyu
    centre_xy_m: tuple[float, float] | None = None
    turn_rad: float = 0.0
    radius_m: float = 0.0
    hold_s: float = 0.0
    speed_m_s: float | None = None

    def length_m(self) -> float:
        """How far the leg leads; 0 for a hold."""
        if self.kind == "arc":
            return abs(self.turn_rad) * self.radius_m
        return math.dist(self.start_xyu_m, self.end_xyu_m)

    def points(self, spacing_m: float) -> FloatArray:
        """Points on the leg, x, y, u in metres, shape (n, 3): both ends and equal steps of at most `spacing_m`.

        A leg without length is one point.
        """
        length_m = self.length_m()
        if length_m == 0:
            return np.array([self.start_xyu_m])
        shares = np.linspace(0.0, 1.0, max(2, math.ceil(length_m / spacing_m) + 1))
        if self.centre_xy_m is not None:
            return self._arc_points(self.centre_xy_m, shares)
        line: FloatArray = np.outer(1 - shares, self.start_xyu_m) + np.outer(shares, self.end_xyu_m)
        return line

    def _arc_points(self, centre_xy_m: tuple[float, float], shares: FloatArray) -> FloatArray:
        x_m, y_m, up_m = self.start_xyu_m
        angles = math.atan2(y_m - centre_xy_m[1], x_m - centre_xy_m[0]) + shares * self.turn_rad
        x = centre_xy_m[0] + self.radius_m * np.cos(angles)
        y = centre_xy_m[1] + self.radius_m * np.sin(angles)
        return np.stack([x, y, np.full_like(x, up_m)], axis=-1)


def resolve_path(path: ExpectedPath, home: Home) -> tuple[PathLeg, ...]:
    """The legs of `path` in order, geodetic ones on the tangent plane at `home`.

    Raises LegProblem for a leg of no kind or several, one that leads nowhere or too far, or a place written in the
    other frame.
    """
    places = _Places(path, home)
    here: Xyu = (0.0, 0.0, 0.0)
    legs: list[PathLeg] = []
    for index, leg in enumerate(path.legs, start=1):
        legs.append(_resolve(index, leg, here, places))
        if legs[-1].length_m() > LONGEST_LEG_M:
            words = f"{legs[-1].name} is longer than {LONGEST_LEG_M / 1000:g} km"
            raise LegProblem(index, words, "Check its units and where it leads")
        here = legs[-1].end_xyu_m
    return tuple(legs)


class _Places:
    """Turns places as written into metres of the path's frame, and refuses those of the other frame."""

    def __init__(self, path: ExpectedPath, home: Home) -> None:
        self._geodetic = path.frame == "geodetic"
        self._frame = path.frame
        self._altitude_m = home.altitude_m
        self._plane = TangentPlane(home.latitude_deg, home.longitude_deg, home.altitude_m)

    def point(self, index: int, written: tuple[float, float, float] | GeoPoint) -> Xyu:
        self._check(index, isinstance(written, GeoPoint))
        if not isinstance(written, GeoPoint):
            return written
        altitude_m = self._altitude_m + written.up_m
        north_m, east_m, down_m = self._plane.to_ned(written.latitude_deg, written.longitude_deg, altitude_m)
        return north_m, east_m, -down_m

    def centre(
        self, index: int, written: tuple[float, float] | GeoCentre, up_m: float
    ) -> tuple[float, float]:
        self._check(index, isinstance(written, GeoCentre))
        if not isinstance(written, GeoCentre):
            return written
        altitude_m = self._altitude_m + up_m
        return self._plane.to_ned(written.latitude_deg, written.longitude_deg, altitude_m)[:2]

    def _check(self, index: int, written_geodetic: bool) -> None:
        if written_geodetic == self._geodetic:
            return
        written, remedy = (
            "latitude and longitude",
            "metres, such as `[8 m, 0 m, 3 m]`, or set `frame: geodetic`",
        )
        if self._geodetic:
            written, remedy = "metres", "degrees, such as `{latitude: 52.0 deg, longitude: 4.5 deg, up: 3 m}`"
        problem = f"leg {index} is written in {written}, and the frame is `{self._frame}`"
        raise LegProblem(index, problem, f"Write it in {remedy}")


def _resolve(index: int, leg: Leg, here: Xyu, places: _Places) -> PathLeg:
    parts = {kind: part for kind, part in zip(KINDS, _parts(leg), strict=True) if part is not None}
    if len(parts) != 1:
        found = f"has {' and '.join(parts)}" if parts else "has no kind"
        raise LegProblem(index, f"leg {index} {found}", f"Give each leg exactly one of {', '.join(KINDS)}")
    (part,) = parts.values()
    match part:
        case Climb():
            return _climb(index, part, here)
        case Line():
            return _line(index, part, here, places)
        case Arc():
            return _arc(index, part, here, places)
        case Hold():
            return PathLeg(
                index, "hold", _name(index, f"hold for {part.for_s:g} s"), here, here, hold_s=part.for_s
            )
        case Return():
            end = (0.0, 0.0, here[2])
            return PathLeg(index, "return", _name(index, "return"), here, end, speed_m_s=part.speed_m_s)
        case Land():
            return PathLeg(index, "land", _name(index, "land"), here, (here[0], here[1], 0.0))


def _parts(leg: Leg) -> tuple[Climb | Line | Arc | Hold | Return | Land | None, ...]:
    return leg.climb, leg.line, leg.arc, leg.hold, leg.return_, leg.land


def _climb(index: int, climb: Climb, here: Xyu) -> PathLeg:
    end = (here[0], here[1], climb.to_m)
    name = _name(index, f"climb to {_metres(climb.to_m)} m")
    _must_lead_somewhere(index, name, here, end)
    return PathLeg(index, "climb", name, here, end)


def _line(index: int, line: Line, here: Xyu, places: _Places) -> PathLeg:
    end = places.point(index, line.to)
    name = _name(index, f"line to {_written(line.to)}")
    _must_lead_somewhere(index, name, here, end)
    return PathLeg(index, "line", name, here, end, speed_m_s=line.speed_m_s)


def _arc(index: int, arc: Arc, here: Xyu, places: _Places) -> PathLeg:
    centre = places.centre(index, arc.around, here[2])
    radius_m = math.dist(here[:2], centre)
    name = _name(index, f"arc of {math.degrees(arc.turn_rad):g} deg round {_written(arc.around)}")
    if radius_m < SMALLEST_LEG_M or abs(arc.turn_rad) * radius_m < SMALLEST_LEG_M:
        raise LegProblem(
            index, f"{name} leads nowhere", "Set its centre away from where the leg before it ends, and turn"
        )
    end = (*_turned(here[:2], centre, arc.turn_rad), here[2])
    return PathLeg(index, "arc", name, here, end, centre, arc.turn_rad, radius_m, speed_m_s=arc.speed_m_s)


def _name(index: int, what: str) -> str:
    return f"leg {index} ({what})"


def _metres(value_m: float) -> str:
    return f"{value_m:.6g}"


def _written(place: tuple[float, ...] | GeoPoint | GeoCentre) -> str:
    if isinstance(place, GeoPoint):
        return f"{place.latitude_deg:.7g} deg, {place.longitude_deg:.7g} deg, {_metres(place.up_m)} m"
    if isinstance(place, GeoCentre):
        return f"{place.latitude_deg:.7g} deg, {place.longitude_deg:.7g} deg"
    return f"{', '.join(map(_metres, place))} m"


def _turned(point: tuple[float, float], centre: tuple[float, float], turn_rad: float) -> tuple[float, float]:
    """`point` turned round `centre`, clockwise seen from above, in axes whose second lies right of the first."""
    x_m, y_m = point[0] - centre[0], point[1] - centre[1]
    sine, cosine = math.sin(turn_rad), math.cos(turn_rad)
    return centre[0] + cosine * x_m - sine * y_m, centre[1] + sine * x_m + cosine * y_m


def _must_lead_somewhere(index: int, name: str, start: Xyu, end: Xyu) -> None:
    if math.dist(start, end) < SMALLEST_LEG_M:
        raise LegProblem(index, f"{name} ends where it begins", "Change where it leads, or use `hold`")

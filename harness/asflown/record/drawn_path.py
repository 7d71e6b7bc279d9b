"""The path of a captured flight, drawn as the legs of a scenario: corners and holds, in the start-heading frame.

What is drawn is what was flown, right or wrong; a person looks at it. Places are rounded to 0.1 m, holds to 0.5 s.
Curves become short straight legs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from asflown.errors import FolderProblem
from asflown.frames import FloatArray
from asflown.record.series import Series, Track

STEP_S = 0.1
SMOOTHED_S = 0.7
IN_THE_AIR_M = 0.5
"""Above it the vehicle flies; below it take-off and landing are not looked at."""
STANDS_BELOW_M_S = 0.35
LEAST_HOLD_S = 2.0
CORNER_M = 0.6
"""How far the path must stray from a straight line for a corner; more on long paths."""
CORNER_SHARE = 0.02
HOME_M = 1.0
"""Nearer to the start than this, a last line leads home."""
STEEP = 3.0
"""A leg this much higher than wide is straight up or down; the rest is the vehicle's own error."""


@dataclass(frozen=True, slots=True)
class DrawnLeg:
    """A leg: `to_m` is forward, right, up in metres; speed and time where the kind has them, otherwise 0."""

    kind: Literal["climb", "line", "hold", "return", "land"]
    to_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    speed_m_s: float = 0.0
    for_s: float = 0.0


@dataclass(frozen=True, slots=True)
class DrawnPath:
    """The legs, and what limits can be set round."""

    legs: tuple[DrawnLeg, ...]
    duration_s: float
    highest_m: float
    farthest_m: float


def draw_path(track: Track) -> DrawnPath:
    """The legs that a flight flew. Raises FolderProblem when it never left the ground."""
    path = track.in_frame("start-heading")
    assert path is not None  # only geodetic paths need to know where on earth
    flown = _evenly(path.between(track.anchors.at_s, track.end_s))
    in_air = np.flatnonzero(flown.values[:, 2] > IN_THE_AIR_M) if len(flown) else np.empty(0, dtype=int)
    if len(in_air) < LEAST_HOLD_S / STEP_S:
        raise FolderProblem("this flight never left the ground", "Take one that flew")
    aloft = Series(flown.time_s[in_air[0] : in_air[-1] + 1], flown.values[in_air[0] : in_air[-1] + 1])
    landed = bool(flown.values[-1, 2] < IN_THE_AIR_M)
    return DrawnPath(
        _legs(aloft, landed=landed),
        float(aloft.time_s[-1] - aloft.time_s[0]),
        float(aloft.values[:, 2].max()),
        float(np.hypot(aloft.values[:, 0], aloft.values[:, 1]).max()),
    )


def _evenly(path: Series) -> Series:
    """Samples every 0.1 s."""
    if len(path) < 2:
        return path
    times = np.arange(path.time_s[0], path.time_s[-1], STEP_S)
    columns = [np.interp(times, path.time_s, path.values[:, axis]) for axis in range(3)]
    return Series(times, np.stack(columns, axis=-1))


def _smoothed(values: FloatArray) -> FloatArray:
    """A running mean, so that speeds can be taken from noisy places; corners are never taken from it."""
    width = round(SMOOTHED_S / STEP_S)
    padded = np.pad(values, ((width // 2, width // 2), (0, 0)), mode="edge")
    kernel = np.ones(width) / width
    return np.stack([np.convolve(padded[:, axis], kernel, mode="valid") for axis in range(3)], axis=-1)


def _legs(aloft: Series, *, landed: bool) -> tuple[DrawnLeg, ...]:
    """Climb, then corners and holds in order, then home and down."""
    corners, holds = _corners(aloft), _holds(aloft)
    places = sorted({*corners[1:], *(first for first, _ in holds), *(last for _, last in holds)})
    held = dict(holds)
    points = {index: aloft.values[index] for index in places}
    for first, last in holds:
        points[first] = points[last] = np.median(aloft.values[first : last + 1], axis=0)
    legs: list[DrawnLeg] = []
    here, since = np.zeros(3), 0
    for index in places:
        point = np.round(points[index], 1) + 0.0
        if np.linalg.norm(point - here) >= CORNER_M and not (landed and index == places[-1]):
            legs.append(_leg_to(point, here, aloft, since, index, first=not legs))
            here = np.array(legs[-1].to_m)
        since = index
        if index in held and legs:
            seconds = np.floor((held[index] - index) * STEP_S * 2) / 2
            legs.append(DrawnLeg("hold", _triple(here), for_s=float(seconds)))
    return _homeward(legs, landed=landed)


def _leg_to(
    point: FloatArray, here: FloatArray, aloft: Series, since: int, index: int, *, first: bool
) -> DrawnLeg:
    if first or STEEP * np.hypot(*(point - here)[:2]) < abs(point[2] - here[2]):
        return DrawnLeg("climb", (float(here[0]), float(here[1]), float(point[2])))
    moved = np.linalg.norm(np.diff(aloft.values[since : index + 1, :2], axis=0), axis=1) / STEP_S
    speed = float(np.round(np.quantile(moved, 0.75), 1)) if len(moved) else 0.0
    return DrawnLeg("line", _triple(point), speed_m_s=speed)


def _homeward(legs: list[DrawnLeg], *, landed: bool) -> tuple[DrawnLeg, ...]:
    """The last line becomes `return` when it ends above the start at the height flown last; a hold there is its end."""
    heights = [leg.to_m[2] for leg in legs if leg.kind != "hold"]
    last = len(legs) - 1
    while landed and last > 0 and legs[last].kind == "hold":
        last -= 1
    ends = legs[last]
    level = len(heights) > 1 and abs(heights[-1] - heights[-2]) < CORNER_M
    if landed and level and ends.kind == "line" and np.hypot(*ends.to_m[:2]) < HOME_M:
        legs = [*legs[:last], DrawnLeg("return", (0.0, 0.0, heights[-2]), ends.speed_m_s)]
    return (*legs, DrawnLeg("land")) if landed else tuple(legs)


def _triple(point: FloatArray) -> tuple[float, float, float]:
    return float(point[0]), float(point[1]), float(point[2])


def _holds(aloft: Series) -> list[tuple[int, int]]:
    """First and last index of each time that the vehicle stood still in the air."""
    speed = np.linalg.norm(np.gradient(_smoothed(aloft.values), STEP_S, axis=0), axis=1)
    stands = np.concatenate([[False], speed < STANDS_BELOW_M_S, [False]])
    edges = np.flatnonzero(np.diff(stands.astype(int)))
    pairs = zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True)
    return [(first, last) for first, last in pairs if (last - first) * STEP_S >= LEAST_HOLD_S]


def _corners(aloft: Series) -> list[int]:
    """Indices where the path bends (Ramer 1972, Douglas and Peucker 1973: the farthest point off the chord)."""
    span = float(np.linalg.norm(np.ptp(aloft.values, axis=0)))
    tolerance = max(CORNER_M, CORNER_SHARE * span)
    kept, todo = {0, len(aloft) - 1}, [(0, len(aloft) - 1)]
    while todo:
        first, last = todo.pop()
        off = _off_chord_m(aloft.values[first : last + 1])
        farthest = first + int(np.argmax(off))
        if off.max() > tolerance and first < farthest < last:
            kept.add(farthest)
            todo += [(first, farthest), (farthest, last)]
    return sorted(kept)


def _off_chord_m(points: FloatArray) -> FloatArray:
    """How far each point is from the straight line between the first and the last."""
    chord = points[-1] - points[0]
    share = np.clip((points - points[0]) @ chord / max(float(chord @ chord), 1e-12), 0.0, 1.0)
    return np.asarray(np.linalg.norm(points - points[0] - share[:, None] * chord, axis=1))

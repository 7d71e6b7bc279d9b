"""Awkward paths and flights: what the matching must get right, for tests and for the pictures in the guide.

All are invented, and flown at 2 m/s with a slow wander, unless they say so. What is true of them is known: when each
leg began, and which were left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from asflown.record.series import Series
from asflown.scenario.path import PathLeg
from tests.unit.grade.paths import RETURN, Waypoint, arc, climb, flown, hold, line, path, shaken


@dataclass(frozen=True)
class Awkward:
    """One flight on one path."""

    name: str
    seen: str
    """What is seen in the picture, in one sentence."""
    legs: tuple[PathLeg, ...]
    track: Series
    begins_s: tuple[float | None, ...]
    """When each leg but the first began; None for one that was not flown or whose begin is a matter of taste."""
    missing: tuple[int, ...] = ()
    within_s: float = 0.5


def along(legs: Sequence[PathLeg], speed_m_s: float = 2.0, hz: float = 20.0) -> tuple[Series, list[float]]:
    """A track exactly along `legs`, holds and all, and when each leg begins; then two seconds at the end."""
    times, points, begins, now_s = [0.0], [np.array(legs[0].start_xyu_m)], [], 0.0
    for leg in legs:
        begins.append(now_s)
        places = leg.points(0.05)
        steps_m = np.linalg.norm(np.diff(places, axis=0), axis=1)
        times += (now_s + np.cumsum(steps_m) / speed_m_s).tolist()
        points += list(places[1:])
        now_s += float(steps_m.sum()) / speed_m_s + leg.hold_s
        if leg.hold_s:
            times.append(now_s)
            points.append(places[-1])
    times.append(now_s + 2.0)
    points.append(points[-1])
    sampled = np.arange(0.0, now_s + 2.0, 1 / hz)
    corners = np.array(points)
    values = [np.interp(sampled, times, corners[:, axis]) for axis in range(3)]
    return Series(sampled, np.stack(values, axis=-1)), begins


def _exactly(
    name: str, seen: str, legs: tuple[PathLeg, ...], wander_m: float = 0.25, within_s: float = 0.5
) -> Awkward:
    track, begins = along(legs)
    return Awkward(name, seen, legs, shaken(track, wander_m, 3), tuple(begins[1:]), within_s=within_s)


def _circle(turns: float, radius_m: float = 6.0) -> list[Waypoint]:
    """Waypoints round the left of a circle about (0, radius), from the origin."""
    angles = np.arange(1, round(turns * 36) + 1) * math.tau / 36
    return [
        ((radius_m * math.sin(a), radius_m - radius_m * math.cos(a), 0.0), 2.0, 0.0) for a in angles.tolist()
    ]


def _spiral() -> tuple[PathLeg, ...]:
    """Half circles, each wider than the one before, with a climb of 1 m after each second one."""
    legs, x_m, height_m = [], 0.0, 0.0
    for number, radius_m in enumerate((2.0, 3.0, 4.0, 5.0, 6.0, 7.0)):
        centre_m = x_m + radius_m if number % 2 == 0 else x_m - radius_m
        legs.append(arc((centre_m, 0.0), math.pi))
        x_m = 2 * centre_m - x_m
        if number % 2:
            height_m += 1.0
            legs.append(climb(height_m))
    return path(*legs)


def _with(track: Series, where_s: tuple[float, float], offset_m: tuple[float, float, float]) -> Series:
    """The track with an offset for some time."""
    inside = (track.time_s >= where_s[0]) & (track.time_s < where_s[1])
    return Series(track.time_s, track.values + inside[:, None] * np.array(offset_m))


def _without(track: Series, where_s: tuple[float, float]) -> Series:
    kept = (track.time_s < where_s[0]) | (track.time_s >= where_s[1])
    return Series(track.time_s[kept], track.values[kept])


CROSSING = path(line(12, 12, 0), line(12, 0, 0), line(0, 12, 0), line(6, 18, 0), line(6, -4, 0))
RETRACED = path(line(14, 0, 0), line(0, 0, 0), line(14, 0, 0), line(14, 6, 0))
SHORT = path(
    line(8, 0, 0),
    hold(2),
    hold(2),
    line(8, 0.3, 0),
    line(8, 8, 0),
    line(8, 8.2, 0),
    hold(3),
    line(0, 8, 0),
    RETURN,
    RETURN,
)
BOX = path(line(12, 0, 0), line(12, 8, 0), line(0, 8, 0), line(0, 0, 0))
HOLDS = path(line(6, 0, 0), hold(3), line(9, 0, 0), hold(3), line(12, 0, 0), hold(3), line(12, 6, 0), hold(3))
ROUND_TWICE = path(arc((0, 6), math.tau), arc((0, 6), math.tau))
ROUND_ONCE = path(line(6, 0, 0), arc((6, 6), math.tau), line(14, 0, 0))


def _box(*corners: tuple[float, float], stay_s: float = 0.0) -> Series:
    """From corner to corner at 2 m/s, wandering a little."""
    points: list[Waypoint] = [((x, y, 0.0), 2.0, stay_s) for x, y in corners]
    return shaken(flown(*points, stand_s=0.0), 0.2, 5)


def _laps(count: int) -> Series:
    """To the circle of ROUND_ONCE, so many times round it, and on."""
    ring: list[Waypoint] = [((6 + x, y, u), speed, stay) for (x, y, u), speed, stay in _circle(count)]
    return shaken(flown(((6, 0, 0), 2.0, 0.0), *ring, ((14, 0, 0), 2.0, 1.0), stand_s=0.0), 0.2, 5)


_LAP_S = math.tau * 6 / 2
_BOX_TRACK, _BOX_BEGINS = along(BOX)

AWKWARD: tuple[Awkward, ...] = (
    _exactly(
        "crossing",
        "Each pass over a crossing belongs to the leg being flown, although another leg lies just as near.",
        CROSSING,
    ),
    _exactly(
        "retraced",
        "There, back and there on one line, then right: the three passes are told apart by their order.",
        RETRACED,
    ),
    _exactly(
        "zero-length",
        "Two holds in a row, legs of 0.2 and 0.3 m, and a return of no length at the end: none steals time"
        " from the legs beside it; which of the two holds has it is open.",
        SHORT,
        within_s=2.6,
    ),
    _exactly(
        "holds",
        "Four holds 3 m apart along a line: standing still is what belongs to a hold, and time tells them apart.",
        HOLDS,
        within_s=0.8,
    ),
    _exactly(
        "spiral",
        "Half circles that widen, with a climb after each second one: neighbouring turns are 2 m apart.",
        _spiral(),
        within_s=0.9,
    ),
    _exactly(
        "loop-twice",
        "The same circle twice is two legs: the second begins when the first is closed.",
        ROUND_TWICE,
    ),
    Awkward(
        "extra-lap",
        "Once round is expected and twice was flown: the circle keeps both laps, the legs beside it their own time.",
        ROUND_ONCE,
        _laps(2),
        (3.0, 3.0 + 2 * _LAP_S),
    ),
    Awkward(
        "missing-lap",
        "Twice round is expected and once was flown: the second lap is named as not flown; which of"
        " the two the last quarter belongs to is a matter of taste.",
        ROUND_TWICE,
        shaken(flown(*_circle(1), ((0.0, 0.0, 0.0), 2.0, 1.0), stand_s=0.0), 0.2, 5),
        (None,),
        (2,),
    ),
    Awkward(
        "missing-leg",
        "The second corner was cut off: the two legs that lead to and from it are named, the others keep their time.",
        path(line(12, 0, 0), hold(2), line(12, 10, 0), hold(2), line(0, 10, 0), hold(2), line(0, 4, 0)),
        _box((12, 0), (12, 0.01), (0, 10), (0, 10.01), (0, 4), stay_s=1.0),
        (6.0, None, None, None, None, None),
        (3, 4),
        0.8,
    ),
    Awkward(
        "extra-leg",
        "A way out and back that nobody asked for stays with the leg it began on; no leg is missing.",
        BOX,
        _box((12, 0), (12, 4), (20, 4), (12, 4), (12, 8), (0, 8), (0, 0)),
        (6.0, 18.0, 24.0),
    ),
    Awkward(
        "wrong-order",
        "The places were visited in another order: what can be laid on the path in order is, the rest is named.",
        path(line(12, 0, 0), hold(2), line(12, 10, 0), hold(2), line(0, 10, 0), hold(2), RETURN),
        _box((12, 0), (12, 0.01), (0, 10), (0, 10.01), (12, 10), (12, 10.01), (0, 0), stay_s=1.0),
        (6.0, None, None, None, None, None),
        (3, 4),
        0.8,
    ),
    Awkward(
        "gnss-jump",
        "The position jumps aside by 8 m for 2 s: the samples stay on the leg being flown.",
        BOX,
        shaken(_with(_BOX_TRACK, (7.0, 9.0), (-8.0, 2.0, 0.0)), 0.15, 3),
        tuple(_BOX_BEGINS[1:]),
    ),
    Awkward(
        "gap",
        "Nothing was heard for 5 s about a corner: the gap is filled by nobody, and no leg is said to be missing.",
        BOX,
        shaken(_without(_BOX_TRACK, (8.0, 13.0)), 0.15, 3),
        (6.0, None, 16.0),
    ),
    Awkward(
        "overshoot",
        "Each corner is overshot by 3 m and more: what lies beyond it belongs to the leg that led there.",
        BOX,
        _box((15, 0), (12, 3.5), (12, 11), (8.5, 8), (-3, 8), (0, 4.5), (0, 0)),
        (7.5, 13.55, 21.6),
    ),
    Awkward(
        "wait",
        "A wait of 20 s half-way along a leg that is followed by a hold: the hold is the one at the end.",
        path(line(30, 0, 0), hold(3), line(30, 8, 0)),
        shaken(
            flown(((14, 0, 0), 2.0, 20.0), ((30, 0, 0), 2.0, 3.0), ((30, 8, 0), 2.0, 1.0), stand_s=0.0),
            0.15,
            5,
        ),
        (35.0, 38.0),
    ),
    Awkward(
        "mirrored",
        "Left where right is expected: each leg is laid on what was flown in its place, and named as not flown.",
        path(line(12, 0, 0), hold(2), line(12, 10, 0), hold(2), line(0, 10, 0), hold(2), RETURN),
        _box((12, 0), (12, 0.01), (12, -10), (12, -10.01), (0, -10), (0, -10.01), (0, 0), stay_s=1.0),
        (6.0, 8.0, 13.0, 15.0, 21.0, 23.0),
        (3, 4, 5, 6, 7),
        0.8,
    ),
)

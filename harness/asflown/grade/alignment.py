"""Puts each sample of a track at one place of the path, in order, by dynamic programming: the heart of matching.

A way is a walk over the cells of samples and places, from the first of both to the last of both, and of all ways the
cheapest is taken. What a cell costs is unitless, by the second: 1 is being far off the path.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray
from asflown.grade import geometry
from asflown.grade.distances import apart_2
from asflown.record.series import Series
from asflown.scenario.path import PathLeg

MOST_PLACES = 500
"""A bound of time and memory: a long path is cut into longer steps."""
SMALLEST_STEP_M = 0.1
_ROWS_AT_ONCE = 64
"""Samples whose costs are worked out together: as many as a processor's cache holds."""
SPEED_SPAN_S = 0.5
SLOW_SHARE, SLOW_UPRIGHT_SHARE = 0.6, 0.3
"""Speeds below these shares of a leg's are slow for it; at half of that, standing and moving are equally likely.

Up and down vehicles move more slowly than to the side.
"""
MOTION_WEIGHT, STANDING_WEIGHT = 1.5, 0.8
"""What moving as does not befit a place counts, and standing where one should move, against being far off the path.

The second is less than 1, so that waiting on a leg is not taken for a hold elsewhere.
"""
DIRECTION_WEIGHT = 1.2
"""What moving against the direction of a leg counts where the track is near it, against being far off: beyond a
corner it is still the leg that led there."""
LEVEL_SHARE = 0.3
"""A leg that rises or falls less than this share of its length counts as level."""
DOUBTFUL_M, DOUBTFUL_SHARE = 1.0, 1 / 6
"""A place is in doubt from this distance on, or this share of the median leg where that is more."""

LEAST_DESCENT_M = 0.5
"""Coming down by less is no landing."""


class Alignment:
    """A track and a path, and what it costs to put each sample at each place; `lasts_s` is what each sample counts."""

    def __init__(self, samples: Series, lasts_s: FloatArray, path: Sequence[PathLeg]) -> None:
        self._samples, self._lasts_s = samples, lasts_s
        self._places = _places(path, float(lasts_s.sum()))
        self._velocity_m_s = _velocities_m_s(samples)

    def leg_of_sample(self) -> npt.NDArray[np.int64]:
        """The number of each sample's leg, from 0; never falls."""
        leg: npt.NDArray[np.int64] = self._places.leg[self._walk_back(self._cheapest())]
        return leg

    def _cheapest(self) -> npt.NDArray[np.uint16]:
        """For each sample and place the place at which the cheapest way there entered that sample, shape (n, m).

        A way is a walk over the cells of samples and places: to the next sample at the same place, which costs what
        `_costs` says of staying in the cell entered, or to the next place at the same sample, which costs what it
        says of passing.
        """
        places, samples = len(self._places.leg), len(self._samples)
        number = np.arange(places, dtype=np.uint16)
        entered = np.empty((samples, places), dtype=np.uint16)
        so_far = np.full(places, np.inf)
        so_far[0] = 0.0
        for begin in range(0, samples, _ROWS_AT_ONCE):
            stays, along = self._costs(slice(begin, begin + _ROWS_AT_ONCE))
            for row, (stay, passed) in enumerate(zip(stays - along, along, strict=True), begin):
                so_far += stay
                best = np.minimum.accumulate(so_far)
                np.maximum.accumulate(np.where(so_far == best, number, 0), out=entered[row])
                so_far = best + passed
        return entered

    def _costs(self, rows: slice) -> tuple[FloatArray, FloatArray]:
        """What staying costs in each cell, and what passing all places up to it does; shape (rows, m) each."""
        places, velocity = self._places, self._velocity_m_s[rows]
        apart = self._apart(rows)
        along = np.cumsum(places.weight_s * apart, axis=1)
        misfit, moves = _misfit(velocity, places)
        speed = np.maximum(np.linalg.norm(velocity, axis=1), 1e-9)[:, None]
        stays = velocity @ places.direction_xyu.T
        stays /= -2 * speed
        stays += 0.5
        stays *= 1 - apart
        stays *= (DIRECTION_WEIGHT * moves)[:, places.leg]
        stays += apart
        stays += misfit[:, places.leg]
        stays *= self._lasts_s[rows, None]
        return stays, along

    def _apart(self, rows: slice, part: slice = slice(None)) -> FloatArray:
        """How far samples are from a part of the places, from 0 to 1; shape (rows, places).

        d^2 / (d^2 + s^2) for the distance d and the path's `doubtful_m` s: far off, all places are about equally
        wrong, and order and motion decide.
        """
        apart = apart_2(self._samples.values[rows], self._places.xyu_m[part])
        apart /= apart + self._places.doubtful_m**2
        return apart

    def _walk_back(self, entered: npt.NDArray[np.uint16]) -> npt.NDArray[np.int64]:
        """Each sample's place on the cheapest way to the last cell: of those it passed, the nearest."""
        chosen = np.empty(len(entered), dtype=np.int64)
        last = entered.shape[1] - 1
        for row in range(len(entered) - 1, -1, -1):
            first = int(entered[row, last])
            chosen[row] = first
            if first < last:
                chosen[row] += int(np.argmin(self._apart(slice(row, row + 1), slice(first, last + 1))))
            last = first
        return chosen

    def last_descent_s(self) -> float:
        """When the vehicle began to come down for the last time, without moving to the side any more.

        Infinity if it did not. Wherever that was: who lands elsewhere lands, and does not hold too low.
        """
        places = self._places
        sideways = places.slow_m_s[places.motion % 2 == 1]  # level and sloping
        moving = np.flatnonzero(np.hypot(*self._velocity_m_s.T[:2]) > sideways.min(initial=DOUBTFUL_M))
        first = int(moving[-1]) + 1 if len(moving) else 0
        height_m = self._samples.values[first:, 2]
        if not len(height_m) or height_m.max() - height_m[-1] < LEAST_DESCENT_M:
            return float("inf")
        high = np.flatnonzero(height_m >= height_m.max() - LEAST_DESCENT_M / 2)
        return float(self._samples.time_s[first + high[-1]])


@dataclass(frozen=True, slots=True)
class _Places:
    """The path cut into places: one for a hold, at least two for every other leg."""

    xyu_m: FloatArray
    leg: npt.NDArray[np.int64]
    weight_s: FloatArray
    """What each place counts: the time from the place before it at the mean speed of the flight."""
    slow_m_s: FloatArray
    """For each leg the speed below which standing is suspected."""
    motion: npt.NDArray[np.int64]
    """For each leg how one moves on it, as a number of _MOTIONS."""
    direction_xyu: FloatArray
    """Unit vectors in which the path leads on; zero at holds."""
    doubtful_m: float
    """The distance from a place at which belonging there is in doubt: half the cost of being far away."""


def _places(path: Sequence[PathLeg], flown_s: float) -> _Places:
    lengths_m = [leg.length_m() for leg in path]
    length_m = max(sum(lengths_m), SMALLEST_STEP_M)
    hold_s = sum(leg.hold_s for leg in path)
    mean_speed_m_s = length_m / max(flown_s - hold_s, flown_s / 10)
    step_m = max(SMALLEST_STEP_M, length_m / MOST_PLACES)
    points = [leg.points(step_m) for leg in path]
    counts = [len(part) for part in points]
    steps_m = [
        np.diff(np.linspace(0, long_m, n), prepend=0) for long_m, n in zip(lengths_m, counts, strict=True)
    ]
    moving_m = [long_m for long_m in lengths_m if long_m > 0] or [0.0]
    return _Places(
        np.concatenate(points),
        np.repeat(np.arange(len(path)), counts),
        np.concatenate(steps_m) / mean_speed_m_s,
        np.array([_slow_m_s(leg, mean_speed_m_s) for leg in path]),
        np.array([_MOTIONS.index(_motion(leg)) for leg in path]),
        np.concatenate([_directions(part) for part in points]),
        max(DOUBTFUL_M, DOUBTFUL_SHARE * float(np.median(moving_m))),
    )


def _slow_m_s(leg: PathLeg, mean_speed_m_s: float) -> float:
    share = SLOW_UPRIGHT_SHARE if _motion(leg) == "upright" else SLOW_SHARE
    return share * (leg.speed_m_s or mean_speed_m_s)


def _directions(points: FloatArray) -> FloatArray:
    """From each point of a leg to the next, at the last one as before it."""
    if len(points) < 2:
        return np.zeros_like(points)
    steps = np.diff(points, axis=0)
    steps = np.concatenate([steps, steps[-1:]])
    directions: FloatArray = steps / np.maximum(np.linalg.norm(steps, axis=1), 1e-12)[:, None]
    return directions


_MOTIONS = ("still", "level", "upright", "sloping")


def _motion(leg: PathLeg) -> str:
    """How one moves on a leg: not at all, to the side, up or down, or both."""
    if leg.kind == "hold":
        return "still"
    if not geometry.has_sides(leg):
        return "upright"
    rise_m = abs(leg.end_xyu_m[2] - leg.start_xyu_m[2])
    return "level" if rise_m < LEVEL_SHARE * leg.length_m() else "sloping"


def _misfit(velocity: FloatArray, places: _Places) -> tuple[FloatArray, FloatArray]:
    """How little the motion of each sample befits each leg, and how much it moves there; shape (n, legs) each.

    The first is MOTION_WEIGHT v^2 / (v^2 + slow^2) for the speed v that contradicts the leg (any at a hold, vertical
    on a level leg, horizontal on an upright one), and STANDING_WEIGHT (1 - v / slow)^2 for want of the speed that
    belongs to it. The second goes from 0, at a hold or standing still, to 1.
    """
    horizontal, vertical = np.hypot(velocity[:, 0], velocity[:, 1])[:, None], np.abs(velocity[:, 2])[:, None]
    whole, none = np.hypot(horizontal, vertical), np.zeros_like(vertical)
    contradicts = np.hstack([whole, vertical, horizontal, none])[:, places.motion] / places.slow_m_s
    belongs = np.hstack([none + np.inf, horizontal, vertical, whole])[:, places.motion] / places.slow_m_s
    misfit: FloatArray = MOTION_WEIGHT * contradicts**2 / (contradicts**2 + 1)
    misfit += STANDING_WEIGHT * np.maximum(1 - belongs, 0.0) ** 2
    still = places.motion == _MOTIONS.index("still")
    return misfit, np.where(still, 0.0, np.minimum(whole / places.slow_m_s, 1.0))


def _velocities_m_s(samples: Series) -> FloatArray:
    """Velocity over half a second about each sample, which noise does not reach, (n, 3)."""
    before_s = np.maximum(samples.time_s - SPEED_SPAN_S / 2, samples.time_s[0])
    after_s = np.minimum(samples.time_s + SPEED_SPAN_S / 2, samples.time_s[-1])
    lasts_s = np.maximum(after_s - before_s, 1e-6)
    columns = [
        (np.interp(after_s, samples.time_s, column) - np.interp(before_s, samples.time_s, column)) / lasts_s
        for column in samples.values.T
    ]
    return np.stack(columns, axis=-1)

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
from asflown.record.series import Series
from asflown.scenario.path import PathLeg

MOST_PLACES = 500
"""A bound of time and memory: a long path is cut into longer steps."""
SMALLEST_STEP_M = 0.1
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
        places = self._places
        apart = _distance(self._samples, places)
        misfit, against = _misfit(self._velocity_m_s, places)
        stays = self._lasts_s[:, None] * (apart + misfit + DIRECTION_WEIGHT * (1 - apart) * against)
        leg: npt.NDArray[np.int64] = places.leg[_cheapest(stays, places.weight_s * apart, apart)]
        return leg

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
    """The speed below which standing is suspected."""
    motion: npt.NDArray[np.int64]
    """How one moves there, as a number of _MOTIONS."""
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
        np.repeat([_slow_m_s(leg, mean_speed_m_s) for leg in path], counts),
        np.repeat([_MOTIONS.index(_motion(leg)) for leg in path], counts),
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


def _distance(samples: Series, places: _Places) -> FloatArray:
    """How far each sample is from each place, from 0 to 1; shape (n, m).

    d^2 / (d^2 + s^2) for the distance d and the path's `doubtful_m` s: far off, all places are about equally
    wrong, and order and motion decide.
    """
    cost = np.zeros((len(samples), len(places.xyu_m)))
    for axis in range(3):
        cost += (samples.values[:, axis, None] - places.xyu_m[:, axis]) ** 2
    return cost / (cost + places.doubtful_m**2)


def _misfit(velocity: FloatArray, places: _Places) -> tuple[FloatArray, FloatArray]:
    """How little the motion of each sample befits each place, and how far it leads against it; shape (n, m) each.

    The first is MOTION_WEIGHT v^2 / (v^2 + slow^2) for the speed v that contradicts the place (any at a hold,
    vertical on a level leg, horizontal on an upright one), and STANDING_WEIGHT (1 - v / slow)^2 for want of the speed
    that belongs to it. The second, from 0 to 1, is half of one less the cosine of the angle between velocity and
    path, where it moves.
    """
    horizontal, vertical = np.hypot(velocity[:, 0], velocity[:, 1])[:, None], np.abs(velocity[:, 2])[:, None]
    whole, none = np.hypot(horizontal, vertical), np.zeros_like(vertical)
    contradicts = np.hstack([whole, vertical, horizontal, none])[:, places.motion] / places.slow_m_s
    belongs = np.hstack([none + np.inf, horizontal, vertical, whole])[:, places.motion] / places.slow_m_s
    misfit: FloatArray = MOTION_WEIGHT * contradicts**2 / (contradicts**2 + 1)
    misfit += STANDING_WEIGHT * np.maximum(1 - belongs, 0.0) ** 2
    along = velocity @ places.direction_xyu.T / np.maximum(whole, 1e-9)
    still = places.motion == _MOTIONS.index("still")
    against = np.where(still, 0.0, (1 - along) / 2 * np.minimum(whole / places.slow_m_s, 1.0))
    return misfit, against


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


def _cheapest(stays: FloatArray, passes: FloatArray, apart: FloatArray) -> npt.NDArray[np.int64]:
    """The place of each sample on the cheapest way from the first place to the last; never falls, shape (n,).

    A way is a walk over the cells of samples and places, shape (n, m) each: to the next sample at the same
    place, which costs what `stays` says of the cell entered, or to the next place at the same sample, which costs
    what `passes` says. A sample that passes several places is at the nearest of them, by `apart`.
    """
    samples, places = stays.shape
    number = np.arange(places, dtype=np.int32)
    entered = np.empty((samples, places), dtype=np.int32)
    so_far = np.full(places, np.inf)
    so_far[0] = 0.0
    along = np.cumsum(passes, axis=1)
    for row in range(samples):
        start_here = so_far + stays[row] - along[row]
        best = np.minimum.accumulate(start_here)
        entered[row] = np.maximum.accumulate(np.where(start_here == best, number, 0))
        so_far = best + along[row]
    return _walk_back(entered, apart)


def _walk_back(entered: npt.NDArray[np.int32], apart: FloatArray) -> npt.NDArray[np.int64]:
    """Each sample's place: of those it passed, the nearest."""
    samples, places = entered.shape
    chosen = np.empty(samples, dtype=np.int64)
    last = places - 1
    for row in range(samples - 1, -1, -1):
        first = int(entered[row, last])
        chosen[row] = first + int(np.argmin(apart[row, first : last + 1]))
        last = first
    return chosen

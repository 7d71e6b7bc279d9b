"""Lays a track on the expected path, in order: which leg was being flown when.

The path is cut into places and every sample of the track is put at one of them. Places are passed in order, none
is left out, and of all such ways the cheapest is taken (dynamic programming): what counts is how far sample and
place lie apart, weighed by time, over all samples and over all places. So a track that crosses or retraces the
path stays on the right leg, and a leg that nobody flew costs what it must, wherever it lies.

How it moves (standing still, to the side, up or down) tells the legs apart where the track is nowhere near the path.

The result does not depend on the sampling rate (beyond the distance between samples), nor on when it was flown.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray
from asflown.grade import geometry
from asflown.record.series import Series
from asflown.scenario.path import PathLeg

MATCHING_HZ = 10.0
MOST_SAMPLES, MOST_PLACES = 6000, 500
"""Bounds of time and memory: beyond ten minutes of flight samples are taken less often."""
SMALLEST_STEP_M = 0.1
LONG_GAP_S = 1.0
"""Longer without a position is a gap: nobody knows where the vehicle was. A sample counts no longer than this."""
SPEED_SPAN_S = 0.5
SLOW_SHARE = 0.3
"""Below this share of a leg's speed the vehicle is taken to stand."""
MOTION_WEIGHT = 1.5
"""What moving as does not befit a place counts, against being far off the path."""
LEVEL_SHARE = 0.3
"""A leg that rises or falls less than this share of its length counts as level."""
DOUBTFUL_M, DOUBTFUL_SHARE = 1.0, 1 / 6
"""A place is in doubt from this distance on, or this share of the median leg where that is more."""

FLOWN_RADIUS_SHARE = 0.25
FLOWN_RADIUS_M = (1.0, 5.0)
FLOWN_COVERED_SHARE = 1 / 3


@dataclass(frozen=True, slots=True)
class LegMatch:
    """One leg and when it was flown; an empty time where nothing was matched to it."""

    leg: PathLeg
    begin_s: float
    end_s: float
    flown: bool
    """The track came within `radius_m` of its end, seen from above, and covered a third of it."""
    radius_m: float
    nearest_m: float
    """Nearest that the track came to its end, while on this leg or the next."""
    nearest_at_s: float
    covered: float
    """Share of its length that was covered."""
    in_gap: bool
    """Positions are missing for a while on this leg or beside it: that it was not flown cannot be known."""


@dataclass(frozen=True, slots=True)
class Matched:
    """A track laid on a path. `positions` are x, y, u in the path's axes, at the full rate of the capture."""

    positions: Series
    legs: tuple[LegMatch, ...]

    def on(self, leg: LegMatch) -> Series:
        """The samples flown on a leg; each sample belongs to one leg."""
        first, last = np.searchsorted(self.positions.time_s, (leg.begin_s, leg.end_s))
        return Series(self.positions.time_s[first:last], self.positions.values[first:last])

    def not_flown(self) -> tuple[LegMatch, ...]:
        """The legs that are known not to have been flown, in order."""
        return tuple(leg for leg in self.legs if not leg.flown and not leg.in_gap)


def flown_radius_m(leg: PathLeg, tolerance_m: float = 0.0) -> float:
    """How near its end a leg must be flown to count as flown: a quarter of its length, from 1 m to 5 m.

    No nearer than `tolerance_m`: what the scenario lets a vehicle be off its path, it may be at the end of a leg.
    """
    smallest_m, largest_m = FLOWN_RADIUS_M
    return max(min(max(FLOWN_RADIUS_SHARE * leg.length_m(), smallest_m), largest_m), tolerance_m)


def match(
    positions: Series, path: Sequence[PathLeg], landed: bool | None = None, tolerance_m: float = 0.0
) -> Matched:
    """Matches `positions` (x, y, u in the path's axes) to `path`; `tolerance_m` is that of `flown_radius_m`.

    `landed` tells whether the vehicle reported that it stood on the ground at the end; None when it does not
    say, and a landing is then judged by its height. There must be at least one position and one leg.
    """
    samples = thinned(positions)
    last_s = samples.time_s[-1:] + 1 / MATCHING_HZ
    weight_s = np.minimum(np.diff(samples.time_s, append=last_s), LONG_GAP_S)
    places = _places(path, float(weight_s.sum()))
    apart = _distance(samples, places)
    stays = weight_s[:, None] * (apart + MOTION_WEIGHT * _misfit(samples, places))
    leg_of_sample = places.leg[_cheapest(stays, places.weight_s * apart, apart)]
    edges_s = _edges(samples.time_s, leg_of_sample, len(path))
    return Matched(positions, tuple(_LegJudge(positions, path, edges_s, landed, tolerance_m).legs()))


def thinned(positions: Series) -> Series:
    """At most one sample in each tenth of a second since the first, and MOST_SAMPLES in all."""
    since_s = positions.time_s - positions.time_s[0]
    hz = min(MATCHING_HZ, MOST_SAMPLES / max(float(since_s[-1]), 1.0))
    first = np.concatenate([[True], np.diff(np.floor(since_s * hz + 1e-6)) > 0])
    return Series(positions.time_s[first], positions.values[first])


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
        np.repeat([SLOW_SHARE * (leg.speed_m_s or mean_speed_m_s) for leg in path], counts),
        np.repeat([_MOTIONS.index(_motion(leg)) for leg in path], counts),
        max(DOUBTFUL_M, DOUBTFUL_SHARE * float(np.median(moving_m))),
    )


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


def _misfit(samples: Series, places: _Places) -> FloatArray:
    """How little the motion of each sample befits each place, from 0 to 2; shape (n, m).

    v^2 / (v^2 + slow^2) for the speed v that contradicts the place (any at a hold, vertical on a level leg,
    horizontal on an upright one), and (1 - v / slow)^2 for want of the speed that belongs to it.
    """
    horizontal, vertical = (speed[:, None] for speed in _speeds_m_s(samples))
    whole, none = np.hypot(horizontal, vertical), np.zeros_like(vertical)
    contradicts = np.hstack([whole, vertical, horizontal, none])[:, places.motion] / places.slow_m_s
    belongs = np.hstack([none + np.inf, horizontal, vertical, whole])[:, places.motion] / places.slow_m_s
    misfit: FloatArray = contradicts**2 / (contradicts**2 + 1) + np.maximum(1 - belongs, 0.0) ** 2
    return misfit


def _speeds_m_s(samples: Series) -> tuple[FloatArray, FloatArray]:
    """Horizontal and vertical speed over half a second about each sample, which noise does not reach, (n,) each."""
    before_s = np.maximum(samples.time_s - SPEED_SPAN_S / 2, samples.time_s[0])
    after_s = np.minimum(samples.time_s + SPEED_SPAN_S / 2, samples.time_s[-1])
    lasts_s = np.maximum(after_s - before_s, 1e-6)
    x_m_s, y_m_s, up_m_s = (
        (np.interp(after_s, samples.time_s, column) - np.interp(before_s, samples.time_s, column)) / lasts_s
        for column in samples.values.T
    )
    return np.hypot(x_m_s, y_m_s), np.abs(up_m_s)


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


def _edges(time_s: FloatArray, leg_of_sample: npt.NDArray[np.int64], legs: int) -> FloatArray:
    """Where each leg begins and the last one ends, shape (legs + 1,): half-way between samples."""
    first = np.searchsorted(leg_of_sample, np.arange(legs + 1))
    middle = np.concatenate([time_s[:1], (time_s[:-1] + time_s[1:]) / 2, [np.inf]])
    return middle[first]


class _LegJudge:
    """Says of each leg whether it was flown."""

    def __init__(
        self,
        positions: Series,
        path: Sequence[PathLeg],
        edges_s: FloatArray,
        landed: bool | None,
        tolerance_m: float,
    ) -> None:
        self._positions, self._path, self._landed = positions, path, landed
        self._tolerance_m = tolerance_m
        self._first = np.searchsorted(positions.time_s, edges_s)
        self._edges_s = np.minimum(edges_s, np.nextafter(positions.time_s[-1], np.inf))

    def legs(self) -> Iterator[LegMatch]:
        """All legs in order."""
        for number, leg in enumerate(self._path):
            nearest_m, nearest_at_s = self._nearest(number, leg)
            covered = self._covered(number, leg)
            radius_m = flown_radius_m(leg, self._tolerance_m)
            reached = nearest_m <= radius_m and covered >= FLOWN_COVERED_SHARE
            flown = self._landed if leg.kind == "land" and self._landed is not None else reached
            begin_s, end_s = self._edges_s[number : number + 2].tolist()
            in_gap = self._is_in_gap(number)
            yield LegMatch(leg, begin_s, end_s, flown, radius_m, nearest_m, nearest_at_s, covered, in_gap)

    def _is_in_gap(self, number: int) -> bool:
        first, last = self._first[max(0, number - 1)], self._first[min(number + 2, len(self._path))]
        times_s = self._positions.time_s[max(0, first - 1) : last + 1]
        return bool((np.diff(times_s) > LONG_GAP_S).any())

    def _nearest(self, number: int, leg: PathLeg) -> tuple[float, float]:
        """Nearest to the leg's end from its beginning to the end of the next leg, and when.

        A hold is looked for from the leg before it on. What leads straight up or down is judged by height, all
        else from above: flying too high is another mistake than leaving out.
        """
        first = self._first[max(0, number - 1) if leg.kind == "hold" else number]
        last = self._first[min(number + 2, len(self._path))]
        span = slice(min(first, len(self._positions) - 1), max(last, first + 1))
        points = self._positions.values[span]
        if leg.kind == "hold" or geometry.has_sides(leg):
            away_m = np.hypot(points[:, 0] - leg.end_xyu_m[0], points[:, 1] - leg.end_xyu_m[1])
        else:
            away_m = np.abs(points[:, 2] - leg.end_xyu_m[2])
        nearest = int(np.argmin(away_m))
        return float(away_m[nearest]), float(self._positions.time_s[span][nearest])

    def _covered(self, number: int, leg: PathLeg) -> float:
        """The share of the leg between the outermost of its samples, one more on either side counted in."""
        if leg.length_m() == 0:
            return 1.0
        first, last = self._first[number : number + 2]
        points = self._positions.values[max(0, first - 1) : last + 1]
        share = np.clip(geometry.along_share(leg, points), 0.0, 1.0)
        return float(share.max() - share.min())

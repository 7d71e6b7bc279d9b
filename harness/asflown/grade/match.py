"""Lays a track on the expected path, in order: which leg was being flown when.

The path is cut into places and every sample of the track is put at one of them. Places are passed in order, none
is left out, and of all such ways the cheapest is taken (dynamic programming): what counts is how far sample and
place lie apart, weighed by time, over all samples and over all places. So a track that crosses or retraces the
path stays on the right leg, and a leg that nobody flew costs what it must, wherever it lies.

How it moves (standing still, to the side, up or down) tells the legs apart where the track is nowhere near the path;
where it is near, so does the direction.

The result does not depend on the sampling rate (beyond the distance between samples), nor on when it was flown.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray
from asflown.grade import geometry
from asflown.grade.alignment import Alignment
from asflown.record.series import Series
from asflown.scenario.path import PathLeg

MATCHING_HZ = 10.0
MOST_SAMPLES = 6000
"""A bound of time and memory: beyond ten minutes of flight samples are taken less often."""
LONG_GAP_S = 1.0
"""Longer without a position is a gap: nobody knows where the vehicle was. A sample counts no longer than this."""
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
    lasts_s = np.minimum(np.diff(samples.time_s, append=samples.time_s[-1:] + 1 / MATCHING_HZ), LONG_GAP_S)
    aligned = Alignment(samples, lasts_s, path)
    edges_s = _edges(samples.time_s, aligned.leg_of_sample(), len(path))
    if path[-1].kind == "land":
        edges_s[:-1] = np.minimum(edges_s[:-1], aligned.last_descent_s())
    return Matched(positions, tuple(_LegJudge(positions, path, edges_s, landed, tolerance_m).legs()))


def thinned(positions: Series) -> Series:
    """At most one sample in each tenth of a second since the first, and MOST_SAMPLES in all."""
    since_s = positions.time_s - positions.time_s[0]
    hz = min(MATCHING_HZ, MOST_SAMPLES / max(float(since_s[-1]), 1.0))
    first = np.concatenate([[True], np.diff(np.floor(since_s * hz + 1e-6)) > 0])
    return Series(positions.time_s[first], positions.values[first])


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
        if leg.length_m() < self._tolerance_m or leg.length_m() < FLOWN_RADIUS_M[0]:
            return 1.0  # shorter than what it may be off
        first, last = self._first[number : number + 2]
        points = self._positions.values[max(0, first - 1) : last + 1]
        share = np.clip(geometry.along_share(leg, points), 0.0, 1.0)
        return float(share.max() - share.min())

"""The continuous Frechet distance, by the free-space diagram of two paths.

Row i of the diagram is segment i of the first path, column j segment j of the second. An edge of a cell is a point of
one path and a segment of the other; free is what lies within the leash. All squared distances are worked out by one
function, so that a leash which just reaches a segment is seen to reach it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray
from asflown.grade.corridor import squared
from asflown.grade.distances import (
    checked,
    diagonal_strips,
    discrete_frechet,
    on_diagonals,
    row_blocks,
    shorter_first,
)

CONTINUOUS_TOLERANCE = 1e-12
"""Relative width at which the search for the distance ends, where going back decides it."""
_MORE_COLUMNS = 16
_CACHED = 1 << 14


def continuous_frechet(first: FloatArray, second: FloatArray) -> float:
    """Alt & Godau (Int. J. Comput. Geom. Appl. 5, 1995): the shortest leash for two who never go back.

    The bound for two who may go back within a segment (Har-Peled, Raichel & Robson, The Frechet Distance Unleashed,
    2023, have it as vertex-edge distance) is worked out first. Mostly the free-space decision finds it
    long enough, and it is the distance, to rounding; otherwise halving between it and the discrete distance follows,
    to a relative CONTINUOUS_TOLERANCE. The result is never too short by more than rounding. Raises UsageError
    as `discrete_frechet` does.
    """
    first, second = shorter_first(*(_without_repeats(points) for points in checked(first, second)))
    if len(first) == 1 or len(second) == 1:  # every point of the path is seen from the one point
        return discrete_frechet(first, second)
    too_short_2 = _lower_bound_2(first, second)
    if _within(first, second, too_short_2):
        return float(np.sqrt(too_short_2))
    too_short, enough = float(np.sqrt(too_short_2)), discrete_frechet(first, second)
    tolerance = CONTINUOUS_TOLERANCE * enough
    while enough - too_short > tolerance:
        middle = (too_short + enough) / 2
        if middle in {too_short, enough}:
            break
        if _within(first, second, middle**2):
            enough = middle
        else:
            too_short = middle
    return enough


def is_within(first: FloatArray, second: FloatArray, leash: float) -> bool:
    """Whether the continuous distance is at most `leash`, at the cost of one decision.

    Raises UsageError as `discrete_frechet` does.
    """
    first, second = shorter_first(*(_without_repeats(points) for points in checked(first, second)))
    if len(first) == 1 or len(second) == 1:
        return discrete_frechet(first, second) <= leash
    return _within(first, second, leash**2)


def _without_repeats(points: FloatArray) -> FloatArray:
    """Segments without length leave the path as it is, and have no direction."""
    moved = (np.diff(points, axis=0) != 0).any(axis=1)
    kept: FloatArray = points[np.concatenate([[True], moved])]
    return kept


def _sum(parts: list[FloatArray]) -> FloatArray:
    total = parts[0]
    for part in parts[1:]:
        total = total + part
    return total


@dataclass(frozen=True, slots=True)
class _Edges:
    """Edges of cells, broadcast: where the foot of the point is on the segment's line, and squared distances."""

    foot: FloatArray
    """0 at the segment's start, 1 at its end."""
    line_2: FloatArray
    """From the line; shape of `foot`."""
    start_2: FloatArray
    end_2: FloatArray
    length_2: FloatArray

    @staticmethod
    def of(points: FloatArray, start: FloatArray, end: FloatArray) -> _Edges:
        """Edges of `points` and segments, by broadcasting over all axes but the last."""
        axes = range(points.shape[-1])
        steps = [end[..., axis] - start[..., axis] for axis in axes]
        aways = [points[..., axis] - start[..., axis] for axis in axes]
        length_2 = _sum([step * step for step in steps])
        foot = _sum([away * step for away, step in zip(aways, steps, strict=True)]) / length_2
        line_2 = _sum([(away - foot * step) ** 2 for away, step in zip(aways, steps, strict=True)])
        return _Edges(foot, line_2, squared(points, start), squared(points, end), length_2)

    def nearest_2(self) -> FloatArray:
        """Squared distance of the point from the segment."""
        beside = np.where(self.foot > 1, self.end_2, self.line_2)
        return np.where(self.foot < 0, self.start_2, beside)

    def free(self, leash_2: float) -> tuple[FloatArray, FloatArray]:
        """First and last share of each segment within the leash; first > last where there is nothing."""
        spare = leash_2 - self.line_2
        half = np.sqrt(np.maximum(spare, 0.0) / self.length_2)
        low = np.where(self.start_2 <= leash_2, 0.0, self.foot - half)
        high = np.where(self.end_2 <= leash_2, 1.0, self.foot + half)
        nothing = (self.nearest_2() > leash_2) | (low > high)
        return np.where(nothing, 2.0, low), np.where(nothing, -1.0, high)


def _lower_bound_2(first: FloatArray, second: FloatArray) -> float:
    """Squared: the longest leash needed on the way through the cells whose edges ask for the least.

    To leave cell (i, j), one of its two far edges must be passed: where the leash reaches it is left open.
    """
    start_2, end_2 = squared(first[[0, -1]], second[[0, -1]])
    columns = len(second) - 1
    below = np.full(columns, np.inf)
    below[0] = start_2
    for rows in row_blocks(len(first) - 1, 2 * columns):
        below = _bound_rows(*_far_edges(first[rows.start : rows.stop + 1], second), below)
    return float(max(below[-1], end_2))


def _far_edges(first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Squared distances at the right and the upper edge of each cell, shape (rows, columns) each."""
    rows, columns = len(first) - 1, len(second) - 1
    right, above = np.empty((rows, columns)), np.empty((rows, columns))
    at_once = max(1, _CACHED // columns)
    for begin in range(0, rows, at_once):
        part = slice(begin, min(begin + at_once, rows))
        start, end = first[part, None], first[part.start + 1 : part.stop + 1, None]
        right[part] = _Edges.of(second[1:], start, end).nearest_2()
        above[part] = _Edges.of(end, second[:-1], second[1:]).nearest_2()
    return right, above


def _bound_rows(right: FloatArray, above: FloatArray, below: FloatArray) -> FloatArray:
    """What reaches the upper edges of the last row, from what reaches the lower edges of the first one."""
    rows, columns = right.shape
    if columns == 1:  # nothing leads to the right
        return np.asarray(np.maximum.accumulate(np.concatenate([below, above[:, 0]])))[-1:]
    below, top = np.concatenate([below, np.full(rows, np.inf)]), np.empty(columns + rows)
    from_left, from_below, here = np.full(rows, np.inf), np.full(rows + 1, np.inf), np.empty(rows)
    from_below[0] = below[0]
    for diagonals, part in diagonal_strips(rows, columns):
        left, low, reach = from_left[part], from_below[part], here[part]
        upper = from_below[part.start + 1 : part.stop + 1]
        tables = zip(on_diagonals(right, diagonals, part), on_diagonals(above, diagonals, part), strict=True)
        for diagonal, (at_right, at_top) in enumerate(tables, diagonals.start):
            np.minimum(left, low, out=reach)
            np.maximum(reach, at_right, out=left)
            np.maximum(reach, at_top, out=upper)
            from_below[0] = below[diagonal + 1]
            top[diagonal - rows + 1] = from_below[rows]
    return top[:columns]


@dataclass(frozen=True, slots=True)
class _Reached:
    """What is reached of the lower edges of a row, from column `begin` on; low > high where nothing is."""

    begin: int
    low: FloatArray
    high: FloatArray


def _within(first: FloatArray, second: FloatArray, leash_2: float) -> bool:
    """Whether the continuous distance is at most the leash, given squared: Alt & Godau's decision, row by row."""
    start_2, end_2 = squared(first[[0, -1]], second[[0, -1]])
    if max(start_2, end_2) > leash_2:
        return False
    lower, side_open = _first_row(first[0], second, leash_2), True
    for number in range(len(first) - 1):
        side = _Edges.of(second[0], first[number], first[number + 1]).free(leash_2)
        side_low = side[0] if side_open and side[0] <= 0 else np.float64(2.0)
        found = _row(first[number : number + 2], second, lower, float(side_low), float(side[1]), leash_2)
        side_open = bool(side_low <= side[1] and side[1] >= 1)
        if found is None:
            return False
        lower = found
    last = len(second) - 2 - lower.begin
    return 0 <= last < len(lower.high) and bool(lower.high[last] >= 1 and lower.low[last] <= lower.high[last])


def _first_row(point: FloatArray, second: FloatArray, leash_2: float) -> _Reached:
    """The lower edge of the whole diagram is reached from its beginning on, without a break."""
    low, high = _Edges.of(point, second[:-1], second[1:]).free(leash_2)
    joined = np.concatenate([[low[0] <= 0], (high[:-1] >= 1) & (low[1:] <= 0)]) & (low <= high)
    reached = np.logical_and.accumulate(joined)
    count = max(int(reached.sum()), 1)
    return _Reached(0, np.where(reached, low, 2.0)[:count], np.where(reached, high, -1.0)[:count])


def _row(
    segment: FloatArray,
    second: FloatArray,
    lower: _Reached,
    side_low: float,
    side_high: float,
    leash_2: float,
) -> _Reached | None:
    """What is reached of the upper edges of one row; None when that is nothing.

    As many columns are looked at as can be reached.
    """
    columns = len(second) - 1
    begin = 0 if side_low <= side_high else lower.begin
    end = min(lower.begin + len(lower.low) + _MORE_COLUMNS, columns)
    while True:
        reached, goes_on = _columns(segment, second, lower, side_low, side_high, leash_2, begin, end)
        if not goes_on or end == columns:
            break
        end = min(columns, end + 2 * (end - begin))
    something = np.flatnonzero(reached.low <= reached.high)
    if not len(something):
        return None
    part = slice(int(something[0]), int(something[-1]) + 1)
    return _Reached(begin + part.start, reached.low[part], reached.high[part])


def _columns(
    segment: FloatArray,
    second: FloatArray,
    lower: _Reached,
    side_low: float,
    side_high: float,
    leash_2: float,
    begin: int,
    end: int,
) -> tuple[_Reached, bool]:
    """The upper edges of columns `begin` to `end`, and whether the column behind them is reached, too."""
    below_low, below_high = np.full(end - begin, 2.0), np.full(end - begin, -1.0)
    inside = slice(lower.begin - begin, lower.begin - begin + len(lower.low))
    below_low[inside], below_high[inside] = lower.low, lower.high
    from_below = below_low <= below_high
    low, high = _Edges.of(second[begin + 1 : end + 1], segment[0], segment[1]).free(leash_2)
    left_open = _to_the_right(low, high, from_below, side_low if begin == 0 else 2.0, side_high)
    above_low, above_high = _Edges.of(segment[1], second[begin:end], second[begin + 1 : end + 1]).free(
        leash_2
    )
    onwards = np.where(left_open[:-1], above_low, np.maximum(above_low, below_low))
    reached = (left_open[:-1] | from_below) & (onwards <= above_high)
    upper = _Reached(begin, np.where(reached, onwards, 2.0), np.where(reached, above_high, -1.0))
    return upper, bool(left_open[-1])


def _to_the_right(
    low: FloatArray, high: FloatArray, from_below: npt.NDArray[np.bool_], side_low: float, side_high: float
) -> npt.NDArray[np.bool_]:
    """Whether the left edge of each cell, and the right one of the last, is reached.

    Between cells that are entered from below, what is reached can only rise, and once nothing is reached,
    nothing is until the next such cell. So a running maximum over each stretch decides.
    """
    stretch = np.concatenate([[0], np.cumsum(from_below)])
    lows, highs = np.concatenate([[side_low], low]), np.concatenate([[side_high], high])
    running = np.maximum.accumulate(lows + 4.0 * stretch) - 4.0 * stretch
    broken = running > highs
    place = np.arange(len(lows))
    last_break = np.maximum.accumulate(np.where(broken, place, -1))
    began = np.maximum.accumulate(np.where(np.concatenate([[True], from_below]), place, 0))
    open_edges: npt.NDArray[np.bool_] = last_break < began
    return open_edges

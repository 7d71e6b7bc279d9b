"""Distances between whole paths: discrete and continuous Frechet, Hausdorff; in any number of dimensions.

A path is an array of points, shape (n, d) with n >= 1. Frechet distances follow both paths in order, Hausdorff
distances do not. The discrete one depends on how the paths are sampled, the continuous one does not:
continuous <= discrete <= continuous + longest segment.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asflown.errors import UsageError
from asflown.frames import FloatArray

Rows = npt.NDArray[np.int64]

_ROWS_AT_ONCE = 1 << 20
"""Numbers held at once for a Hausdorff distance."""

CONTINUOUS_TOLERANCE = 1e-12
"""Relative width at which the search for the continuous distance ends."""


def discrete_frechet(first: FloatArray, second: FloatArray) -> float:
    """Eiter & Mannila (TU Vienna CD-TR 94/64, 1994): the coupling of points whose longest link is shortest.

    Their recurrence is worked out along anti-diagonals, without recursion, in memory linear in the points.
    Raises UsageError for paths without points, of unequal dimension, or with numbers that are not finite.
    """
    first, second = _checked(first, second)
    rows, columns = len(first), len(second)
    before, last = np.empty(0), np.array([_squared(first[:1], second[:1])[0]])
    before_from, last_from = 0, 0
    for diagonal in range(1, rows + columns - 1):
        row_from, row_to = max(0, diagonal - columns + 1), min(diagonal, rows - 1) + 1
        row = np.arange(row_from, row_to)
        reach = np.full(len(row), np.inf)
        for values, start, step in ((last, last_from, 0), (last, last_from, 1), (before, before_from, 1)):
            number = row - step - start
            inside = (number >= 0) & (number < len(values))
            reach[inside] = np.minimum(reach[inside], values[number[inside]])
        here = np.maximum(reach, _squared(first[row], second[diagonal - row]))
        before, before_from, last, last_from = last, last_from, here, row_from
    return float(np.sqrt(last[-1]))


def continuous_frechet(first: FloatArray, second: FloatArray) -> float:
    """Alt & Godau (Int. J. Comput. Geom. Appl. 5, 1995): the shortest leash for two who never go back.

    Found by halving between bounds with their free-space decision, to a relative CONTINUOUS_TOLERANCE of the
    discrete distance; the result is never too short. Raises UsageError as `discrete_frechet` does.
    """
    first, second = _checked(first, second)
    if len(first) == 1 or len(second) == 1:  # every point of the path is seen from the one point
        return discrete_frechet(first, second)
    ends = _squared(first[[0, -1]], second[[0, -1]])
    too_short, enough = float(np.sqrt(ends.max())), discrete_frechet(first, second)
    if _within(first, second, too_short):
        return too_short
    tolerance = CONTINUOUS_TOLERANCE * enough
    while enough - too_short > tolerance:
        middle = (too_short + enough) / 2
        if middle in {too_short, enough}:
            break
        if _within(first, second, middle):
            enough = middle
        else:
            too_short = middle
    return enough


def directed_hausdorff(first: FloatArray, second: FloatArray) -> float:
    """The largest distance from a point of `first` to the nearest point of `second`: sets of points, no order.

    Raises UsageError as `discrete_frechet` does.
    """
    first, second = _checked(first, second)
    at_once = max(1, _ROWS_AT_ONCE // len(second))
    worst = 0.0
    for start in range(0, len(first), at_once):
        squared = _squared(first[start : start + at_once, None], second)
        worst = max(worst, float(squared.min(axis=1).max()))
    return float(np.sqrt(worst))


def hausdorff(first: FloatArray, second: FloatArray) -> float:
    """The larger of the two directed distances. Raises UsageError as `discrete_frechet` does."""
    return max(directed_hausdorff(first, second), directed_hausdorff(second, first))


def _checked(first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
    first, second = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if first.ndim != 2 or second.ndim != 2 or first.shape[1] != second.shape[1]:
        raise UsageError(
            f"paths of shape {first.shape} and {second.shape} cannot be compared", "Give arrays (n, d)"
        )
    if not len(first) or not len(second):
        raise UsageError("a path without points has no distance", "Give at least one point")
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise UsageError("a path has a coordinate that is not a number", "Leave such points out")
    return first, second


def _squared(first: FloatArray, second: FloatArray) -> FloatArray:
    """Squared distances of points in pairs, by broadcasting over all axes but the last."""
    total: FloatArray = (first[..., 0] - second[..., 0]) ** 2
    for axis in range(1, first.shape[-1]):
        total = total + (first[..., axis] - second[..., axis]) ** 2
    return total


Span = tuple[FloatArray, FloatArray]
"""First and last share of segments that are meant, both included; first > last where there is nothing."""


def _free(points: FloatArray, start: FloatArray, end: FloatArray, leash: float) -> Span:
    """Which part of each segment lies within the leash of its point: arrays of n points and n segments."""
    away, step = start - points, end - start
    a, b = (step**2).sum(axis=1), (away * step).sum(axis=1)
    c, c_at_end = (away**2).sum(axis=1) - leash**2, ((end - points) ** 2).sum(axis=1) - leash**2
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b * b - a * c)
        low, high = (-b - root) / a, (-b + root) / a
    low, high = np.where(c <= 0, 0.0, low), np.where(c_at_end <= 0, 1.0, high)
    low, high = np.where(a == 0, 0.0, low), np.where(a == 0, 1.0, high)
    something = (low <= 1) & (high >= 0) & (low <= high) & ((a > 0) | (c <= 0))
    return np.where(something, np.maximum(low, 0.0), 1.0), np.where(something, np.minimum(high, 1.0), 0.0)


def _along_edge(span: Span) -> Span:
    """What can be reached on an edge of the whole diagram: only from its beginning on, without a break."""
    low, high = span
    joined = np.concatenate([[low[0] <= 0], (high[:-1] >= 1) & (low[1:] <= 0)]) & (low <= high)
    reached = np.logical_and.accumulate(joined)
    return np.where(reached, low, 1.0), np.where(reached, high, 0.0)


def _within(first: FloatArray, second: FloatArray, leash: float) -> bool:
    """Whether the continuous distance is at most `leash`, which is at least the distance of the ends.

    Cells of the free-space diagram are taken along anti-diagonals. Cell (i, j) has segment i of `first` below and
    segment j of `second` at its left; `below` and `left` are what can be reached there, by the number i.
    """
    rows, columns = len(first) - 1, len(second) - 1
    every_row, every_column = np.zeros(rows, int), np.zeros(columns, int)
    edge_below = _along_edge(_free(second[every_row], first[:-1], first[1:], leash))
    edge_left = _along_edge(_free(first[every_column], second[:-1], second[1:], leash))
    below, left = _nothing(rows), _nothing(rows)
    for diagonal in range(rows + columns - 1):
        if diagonal < rows:
            _put(below, diagonal, edge_below, diagonal)
        if diagonal < columns:
            _put(left, 0, edge_left, diagonal)
        row = np.arange(max(0, diagonal - columns + 1), min(diagonal, rows - 1) + 1)
        column = diagonal - row
        above = _free(second[column + 1], first[row], first[row + 1], leash)
        right = _free(first[row + 1], second[column], second[column + 1], leash)
        above, right = _reached(above, left, below, row), _reached(right, below, left, row)
        if diagonal == rows + columns - 2:
            return bool(above[1][-1] >= 1 or right[1][-1] >= 1)
        below[0][row], below[1][row] = above
        onwards = row[row + 1 < rows]
        left[0][onwards + 1], left[1][onwards + 1] = right[0][: len(onwards)], right[1][: len(onwards)]
    return False


def _nothing(count: int) -> Span:
    return np.ones(count), np.zeros(count)


def _put(into: Span, number: int, span: Span, source: int) -> None:
    into[0][number], into[1][number] = span[0][source], span[1][source]


def _reached(free: Span, across: Span, opposite: Span, row: Rows) -> Span:
    """What of a free edge is reached: all of it from the edge beside it, from the opposite one only further on."""
    from_across = across[0][row] <= across[1][row]
    from_opposite = opposite[0][row] <= opposite[1][row]
    low = np.where(from_across, free[0], np.maximum(free[0], opposite[0][row]))
    reached = (from_across | from_opposite) & (low <= free[1])
    return np.where(reached, low, 1.0), np.where(reached, free[1], 0.0)

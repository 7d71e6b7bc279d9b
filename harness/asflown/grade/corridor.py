"""Where in the table of two paths a coupling can lead that is no longer than a known one.

Blocks of points are looked at by the boxes about them: a block of the table whose boxes lie farther apart than the
known bound holds no link of a shorter coupling. Distances of boxes are rounded as those of points are, so that
nothing is lost to rounding. Paths are arrays of points, shape (n, d).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray

_BLOCK = 32
"""Points in a box."""
_BOX_ROWS = 8
"""Rows of boxes that are worked out together: many short diagonals cost more than some longer ones."""
_NUMBERS_AT_ONCE = 1 << 22

Flags = npt.NDArray[np.bool_]


def squared(first: FloatArray, second: FloatArray) -> FloatArray:
    """Squared distances of points in pairs, by broadcasting over all axes but the last."""
    total: FloatArray = (first[..., 0] - second[..., 0]) ** 2
    for axis in range(1, first.shape[-1]):
        total = total + (first[..., axis] - second[..., axis]) ** 2
    return total


def coupled_by_length_2(first: FloatArray, second: FloatArray) -> float:
    """The longest link, squared, when both paths are followed by their share of length: a coupling like any other."""
    shares = [_shares(points) for points in (first, second)]
    events = np.sort(np.concatenate(shares))
    at = [np.searchsorted(share, events, side="right") - 1 for share in shares]
    return float(squared(first[at[0]], second[at[1]]).max())


def _shares(points: FloatArray) -> FloatArray:
    """The share of the path's length up to each point; by number where it has no length."""
    steps = np.sqrt(squared(points[1:], points[:-1]))
    total = steps.sum()
    if not total or not np.isfinite(total):
        steps, total = np.ones(len(steps)), max(len(steps), 1)
    shares: FloatArray = np.concatenate([[0.0], np.minimum(np.cumsum(steps) / total, 1.0)])
    shares[-1] = 1.0
    shares[0] = 0.0
    return shares


def corridor(first: FloatArray, second: FloatArray, bound_2: float) -> Iterator[tuple[slice, slice]]:
    """Rows in order, and the columns that couplings with no link longer than the bound, squared, can pass there.

    There must be such a coupling.
    """
    open_blocks = _open(first, second, bound_2)
    onwards = _reached(open_blocks)
    both = onwards & _reached(open_blocks[::-1, ::-1])[::-1, ::-1]
    box_rows = max(1, min(_BOX_ROWS, _NUMBERS_AT_ONCE // (_BLOCK * len(second))))
    for begin in range(0, len(both), box_rows):
        columns = np.flatnonzero(both[begin : begin + box_rows].any(axis=0))
        rows = slice(begin * _BLOCK, min((begin + box_rows) * _BLOCK, len(first)))
        yield rows, slice(int(columns[0]) * _BLOCK, min((int(columns[-1]) + 1) * _BLOCK, len(second)))


def _open(first: FloatArray, second: FloatArray, bound_2: float) -> Flags:
    """Which blocks may hold a link within the bound, by the distances of their boxes, shape (block rows, columns)."""
    low, high = _boxes(first)
    other_low, other_high = _boxes(second)
    gap = np.maximum(low[:, None] - other_high, other_low - high[:, None])
    np.maximum(gap, 0.0, out=gap)
    within: Flags = squared(gap, np.zeros_like(gap)) <= bound_2
    return within


def _boxes(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    starts = np.arange(0, len(points), _BLOCK)
    return np.minimum.reduceat(points, starts, axis=0), np.maximum.reduceat(points, starts, axis=0)


def _reached(open_blocks: Flags) -> Flags:
    """Which open blocks are reached from the first one by going on along either path or both."""
    reached = np.zeros_like(open_blocks)
    columns = np.arange(open_blocks.shape[1])
    entered = columns == 0
    for row, is_open in enumerate(open_blocks):
        from_below = np.maximum.accumulate(np.where(entered & is_open, columns, -1))
        closed = np.maximum.accumulate(np.where(is_open, -1, columns))
        reached[row] = is_open & (from_below > closed)
        entered = reached[row].copy()
        entered[1:] |= reached[row, :-1]
    return reached

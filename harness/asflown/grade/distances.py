"""Distances between whole paths: discrete Frechet, Hausdorff, dynamic time warping; in any number of dimensions.

A path is an array of points, shape (n, d) with n >= 1. Frechet distance and time warping follow both paths in order,
Hausdorff distances do not. All depend on how the paths are sampled; `free_space.continuous_frechet` does not. Nothing
is worked out by recursion, and memory is linear in the points.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import as_strided

from asflown.errors import UsageError
from asflown.frames import FloatArray
from asflown.grade.corridor import corridor, coupled_by_length_2

NUMBERS_AT_ONCE = 1 << 22
"""Distances between points that are held at once."""
_FEWEST_ROWS = 128
_DIAGONALS = 64
_CACHED = 1 << 15


def discrete_frechet(first: FloatArray, second: FloatArray) -> float:
    """Eiter & Mannila (TU Vienna CD-TR 94/64, 1994): the coupling of points whose longest link is shortest.

    Their recurrence, ca(i,j) = max(min(ca(i-1,j), ca(i-1,j-1), ca(i,j-1)), d), is worked out along anti-diagonals,
    and only where a coupling can lead that is no longer than the one by share of length: elsewhere lies none
    that is shorter. Raises UsageError for paths without points, of unequal dimension, or with numbers that are not
    finite.
    """
    first, second = shorter_first(*checked(first, second))
    reached = np.full(len(second), np.inf)
    for rows, columns in corridor(first, second, coupled_by_length_2(first, second)):
        corner = 0.0 if not rows.start else np.inf if not columns.start else float(reached[columns.start - 1])
        part = _along_diagonals(apart_2(first[rows], second[columns]), reached[columns], corner, np.maximum)
        reached.fill(np.inf)
        reached[columns] = part
    return float(np.sqrt(reached[-1]))


def _along_diagonals(apart: FloatArray, below: FloatArray, corner: float, join: np.ufunc) -> FloatArray:
    """c(i,j) = join(min(c(i-1,j), c(i-1,j-1), c(i,j-1)), apart(i,j)); from the row below to the last one.

    What the diagonals hold beside the table is of no account: nothing leads from there into it.
    """
    rows, columns = apart.shape
    if columns == 1:
        return np.asarray(join.accumulate(np.concatenate([[min(corner, below[0])], apart[:, 0]])))[-1:]
    below, top = np.concatenate([below, np.full(rows, np.inf)]), np.empty(columns + rows)
    before, last, here = (np.full(rows + 1, np.inf) for _ in range(3))  # the first entry belongs to `below`
    before[0], last[0] = corner, below[0]
    for diagonals, part in diagonal_strips(rows, columns):
        wide, shifted = slice(part.start, part.stop), slice(part.start + 1, part.stop + 1)
        views = [(held, held[wide], held[shifted]) for held in (before, last, here)]
        table = on_diagonals(apart, diagonals, part)
        for diagonal, row in zip(range(diagonals.start, diagonals.stop), table, strict=True):
            (_, corners, _), (_, downs, lefts), (held, _, reach) = views
            np.minimum(downs, lefts, out=reach)
            np.minimum(reach, corners, out=reach)
            join(reach, row, out=reach)
            held[0] = below[diagonal + 1]
            top[diagonal - rows + 1] = held[rows]
            views = [views[1], views[2], views[0]]
        before, last, here = (view[0] for view in views)
    return top[:columns]


def time_warping(first: FloatArray, second: FloatArray, band: int | None = None) -> float:
    """Dynamic time warping: the smallest sum of distances over couplings of points, both followed in order.

    With `band`, a point is coupled only to points whose number, as a share of the other path, lies no more than
    `band` points off its own (Sakoe & Chiba, IEEE ASSP-26, 1978). Raises UsageError as `discrete_frechet` does, and
    for a negative band.
    """
    first, second = shorter_first(*checked(first, second))
    if band is not None and band < 0:
        raise UsageError(f"a band of {band} points holds nothing", "Give 0 or more")
    below, corner = np.full(len(second), np.inf), 0.0
    for rows in row_blocks(len(first), len(second)):
        apart = np.sqrt(apart_2(first[rows], second))
        if band is not None:
            apart[_outside(rows, len(first), len(second), band)] = np.inf
        below = _along_diagonals(apart, below, corner, np.add)
        corner = np.inf
    return float(below[-1])


def _outside(rows: slice, all_rows: int, columns: int, band: int) -> npt.NDArray[np.bool_]:
    """Which couplings lie outside the band, shape (rows, columns); slanted to join both pairs of ends."""
    slope = (columns - 1) / max(all_rows - 1, 1)
    centre = np.arange(rows.start, rows.stop)[:, None] * slope
    outside: npt.NDArray[np.bool_] = np.abs(np.arange(columns) - centre) > max(band, slope)
    return outside


def directed_hausdorff(first: FloatArray, second: FloatArray) -> float:
    """The largest distance from a point of `first` to the nearest point of `second`: sets of points, no order.

    Raises UsageError as `discrete_frechet` does.
    """
    first, second = checked(first, second)
    worst = 0.0
    for rows in row_blocks(len(first), len(second)):
        worst = max(worst, float(apart_2(first[rows], second).min(axis=1).max()))
    return float(np.sqrt(worst))


def hausdorff(first: FloatArray, second: FloatArray) -> float:
    """The larger of the two directed distances. Raises UsageError as `discrete_frechet` does."""
    return max(directed_hausdorff(first, second), directed_hausdorff(second, first))


def checked(first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Both paths as float64 arrays. Raises UsageError for what has no distance."""
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


def shorter_first(first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The pair with the path of fewer points first: distances are symmetric, and short diagonals are quick."""
    return (first, second) if len(first) <= len(second) else (second, first)


def row_blocks(rows: int, columns: int) -> Iterator[slice]:
    """Rows in blocks of about NUMBERS_AT_ONCE numbers."""
    at_once = max(_FEWEST_ROWS, NUMBERS_AT_ONCE // columns)
    for begin in range(0, rows, at_once):
        yield slice(begin, min(begin + at_once, rows))


def diagonal_strips(rows: int, columns: int) -> Iterator[tuple[slice, slice]]:
    """Anti-diagonals of a table some at a time, and the rows that they pass."""
    count = rows + columns - 1
    for begin in range(0, count, _DIAGONALS):
        end = min(begin + _DIAGONALS, count)
        yield slice(begin, end), slice(max(0, begin - columns + 1), min(end, rows))


def on_diagonals(table: FloatArray, diagonals: slice, part: slice) -> FloatArray:
    """Entries (i, k - i) of a table of at least two columns, for rows i of `part` and each diagonal k; a view.

    Where k - i lies beside the table, the entry is another one of it.
    """
    columns = table.shape[1]
    size = table.itemsize
    flat = table.ravel()[part.start * (columns - 1) + diagonals.start :]
    shape = diagonals.stop - diagonals.start, part.stop - part.start
    return as_strided(flat, shape, (size, size * (columns - 1)), writeable=False)


def apart_2(first: FloatArray, second: FloatArray) -> FloatArray:
    """Squared distances of all points of one path from all of the other, shape (n, m)."""
    table = np.empty((len(first), len(second)))
    columns = np.ascontiguousarray(second.T)
    at_once = max(1, _CACHED // len(second))
    for begin in range(0, len(first), at_once):
        part = table[begin : begin + at_once]
        rows = first[begin : begin + at_once, None]
        np.subtract(rows[..., 0], columns[0], out=part)
        part *= part
        for axis in range(1, len(columns)):
            step = rows[..., axis] - columns[axis]
            step *= step
            part += step
    return table

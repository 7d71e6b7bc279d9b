"""Smallest and largest values over windows of samples that need not be evenly spaced.

A window is a pair of sample numbers, first included and last excluded. Over no samples the smallest value is
+inf and the largest -inf: what is said of no moment holds of all of them, and of none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray

Numbers = npt.NDArray[np.int64]


def smallest(values: FloatArray, first: Numbers, last: Numbers) -> FloatArray:
    """The smallest of `values[first:last]` for each pair; one table of powers of two serves all windows."""
    result = np.full(len(first), np.inf)
    filled = last > first
    if not filled.any():
        return result
    length = (last - first)[filled]
    level = np.frexp(length.astype(np.float64))[1] - 1
    tables = _tables(values, int(level.max()))
    begin, end = first[filled], last[filled]
    for power in np.unique(level).tolist():
        here = level == power
        left, right = tables[power][begin[here]], tables[power][end[here] - (1 << power)]
        result[np.flatnonzero(filled)[here]] = np.minimum(left, right)
    return result


def largest(values: FloatArray, first: Numbers, last: Numbers) -> FloatArray:
    """The largest of `values[first:last]` for each pair."""
    return -smallest(-values, first, last)


def _tables(values: FloatArray, highest: int) -> list[FloatArray]:
    """For each power of two, the smallest of that many values from each number on."""
    tables = [values]
    for power in range(highest):
        half = 1 << power
        tables.append(np.minimum(tables[-1][:-half], tables[-1][half:]))
    return tables


@dataclass(frozen=True, slots=True)
class Extreme:
    """Smallest or largest: over windows of samples, of two arrays, and of nothing."""

    over: Callable[[FloatArray, Numbers, Numbers], FloatArray]
    both: Callable[[FloatArray, FloatArray], FloatArray]
    of_nothing: float


SMALLEST = Extreme(smallest, np.minimum, np.inf)
LARGEST = Extreme(largest, np.maximum, -np.inf)

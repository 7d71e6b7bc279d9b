"""Where a series of flights shifted, if it did: Pettitt's rank statistic, judged by permutation.

The statistic is that of A. N. Pettitt (Applied Statistics 28, 1979): it asks nothing of the values but their order.
His p value is an approximation that is poor for short series; here the series is shuffled instead, exactly (all
orders) where that is feasible. Values must be exchangeable when nothing shifts: a steady drift counts as a shift.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from asflown.errors import UsageError

RESAMPLES = 9999
FEWEST = 4
"""Of three values in a row, no order is rarer than one in six."""


@dataclass(frozen=True, slots=True)
class Shift:
    """The likeliest shift in a series; whether there is one is for `p_value` to say."""

    position: int
    """The number of the first value after the shift, from 0."""
    p_value: float
    statistic: float
    """Pettitt's K."""
    median_before: float
    median_after: float


def shift(values: Sequence[float], generator: np.random.Generator, resamples: int = RESAMPLES) -> Shift:
    """The likeliest shift in `values`, which are in the order of time; shuffles are drawn with `generator`.

    Raises UsageError for fewer than FEWEST values and for values that are not finite.
    """
    series = np.asarray(values, np.float64)
    if len(series) < FEWEST:
        raise UsageError(f"{len(series)} values cannot show a shift", f"Fly at least {FEWEST} times")
    if not np.isfinite(series).all():
        raise UsageError("a series with values that are not finite", "Leave them out, and say so")
    from scipy.stats import permutation_test, rankdata  # noqa: PLC0415  most of a second, and few need it

    ranks = rankdata(series)
    sums = np.abs(_sums(ranks))
    found = permutation_test(
        (ranks,), _largest, permutation_type="pairings", n_resamples=resamples, rng=generator,
        alternative="greater", vectorized=True, batch=2000,
    )  # fmt: skip
    position = int(np.argmax(sums)) + 1
    before, after = float(np.median(series[:position])), float(np.median(series[position:]))
    return Shift(position, float(found.pvalue), float(sums.max()), before, after)


def pettitt_p_value(statistic: float, values: int) -> float:
    """Pettitt's own approximation: 2 exp(-6 K^2 / (n^3 + n^2)), at most 1."""
    return min(1.0, 2 * math.exp(-6 * statistic**2 / (values**3 + values**2)))


def _sums(ranks: Any, axis: int = -1) -> Any:
    """U of each split: 2 times the ranks so far, less what they would be without a shift; after all but the last."""
    moved = np.moveaxis(ranks, axis, -1)
    many = moved.shape[-1]
    so_far = np.cumsum(moved, axis=-1)[..., :-1]
    return 2 * so_far - np.arange(1, many) * (many + 1)


def _largest(ranks: Any, axis: int = -1) -> Any:
    return np.abs(_sums(ranks, axis)).max(axis=-1)

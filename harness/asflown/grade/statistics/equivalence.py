"""Whether two sets of flights are equivalent within a band: two one-sided tests (Schuirmann 1987).

Not finding a difference shows nothing when flights are few; equivalence has to be shown. At level alpha it is shown
exactly when the interval of confidence 1 - 2 alpha lies within the band. Differences are `b` minus `a`, in the unit
of the values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from asflown.errors import UsageError

ALPHA = 0.05
RESAMPLES = 9999


@dataclass(frozen=True, slots=True)
class Equivalence:
    """What two one-sided tests found; the difference is that of `b` from `a`."""

    difference: float
    low: float
    high: float
    confidence: float
    """Of the interval from `low` to `high`: 1 - 2 alpha."""
    p_value: float
    """The larger of the two: how often as much would be seen if the sets differed by just the band."""
    band: float
    smallest_band: float
    """The sets would have been shown to be equivalent within any band wider than this."""

    @property
    def shown(self) -> bool:
        """Whether the sets are shown to be equivalent within the band."""
        return self.smallest_band < self.band


def tost(
    a: Sequence[float], b: Sequence[float], band: float, alpha: float = ALPHA, *, pooled: bool = False
) -> Equivalence:
    """Equivalence of the means of `a` and `b` within `band` on either side, by Welch's test.

    `pooled` takes both sets to spread alike. Raises UsageError for fewer than two values on a side, values that are
    not finite, and a band that is not positive.
    """
    first, second = _checked(a, b, band, alpha)
    difference = float(second.mean() - first.mean())
    if first.std() == 0 == second.std():
        return _of_constants(difference, band, alpha, (len(first), len(second)))
    compared = _compare(first, second)
    variances = "pooled" if pooled else "unequal"
    p_value = compared.ttost_ind(-band, band, usevar=variances)[0]
    low, high = compared.tconfint_diff(2 * alpha, usevar=variances)
    return _result(difference, float(low), float(high), alpha, float(p_value), band)


def _compare(a: Any, b: Any) -> Any:
    from statsmodels.stats.weightstats import CompareMeans, DescrStatsW  # noqa: PLC0415  it takes a second

    return CompareMeans(DescrStatsW(b), DescrStatsW(a))


def tost_percentile(
    a: Sequence[float],
    b: Sequence[float],
    band: float,
    percentile: float,
    generator: np.random.Generator,
    alpha: float = ALPHA,
    resamples: int = RESAMPLES,
) -> Equivalence:
    """Equivalence of a percentile (0 to 100, linear between values) of `a` and `b`, by the bootstrap.

    Flights are drawn again from each set with `generator`. A percentile beyond the values that there are cannot be
    judged: raises UsageError for fewer flights than `fewest_for_percentile`, and as `tost` does.
    """
    first, second = _checked(a, b, band, alpha)
    fewest = fewest_for_percentile(percentile)
    if min(len(first), len(second)) < fewest:
        raise UsageError(
            f"{len(first)} and {len(second)} flights are too few for their {percentile:g}th percentile",
            f"Fly at least {fewest} on either side",
        )
    difference = float(np.percentile(second, percentile) - np.percentile(first, percentile))
    drawn = _drawn_again(first, second, percentile, generator, resamples)
    rank = math.floor(alpha * (resamples + 1))
    low, high = float(drawn[rank - 1]), float(drawn[resamples - rank])
    below = np.searchsorted(drawn, -band, side="right")
    above = resamples - np.searchsorted(drawn, band, side="left")
    p_value = min(1.0, (1 + float(max(below, above))) / (resamples + 1))
    return _result(difference, low, high, alpha, p_value, band)


def fewest_for_percentile(percentile: float) -> int:
    """Flights on each side of which at least two are expected beyond the percentile.

    Raises UsageError for a percentile outside 0 to 100.
    """
    if not 0 < percentile < 100:
        raise UsageError(f"percentile={percentile} is none", "Give a number between 0 and 100")
    beyond = min(percentile, 100 - percentile) / 100
    return max(2, math.ceil(2 / beyond - 1e-9))


def _drawn_again(a: Any, b: Any, percentile: float, generator: np.random.Generator, resamples: int) -> Any:
    """The differences of percentiles of resampled flights, sorted; shape (resamples,)."""
    from scipy.stats import bootstrap  # noqa: PLC0415  most of a second, and few need it

    def difference(first: Any, second: Any, axis: int) -> Any:
        return np.percentile(second, percentile, axis=axis) - np.percentile(first, percentile, axis=axis)

    found = bootstrap(
        (a, b), difference, n_resamples=resamples, rng=generator, method="percentile", batch=500
    )
    return np.sort(found.bootstrap_distribution)


def _checked(a: Sequence[float], b: Sequence[float], band: float, alpha: float) -> tuple[Any, Any]:
    if not 0 < band < math.inf:
        raise UsageError(f"band={band} is no band", "Give how much difference does not matter, above zero")
    if not 0 < alpha < 0.5:
        raise UsageError(f"alpha={alpha} is no error rate", "Give a number between 0 and 0.5")
    first, second = np.asarray(a, np.float64), np.asarray(b, np.float64)
    if min(len(first), len(second)) < 2:
        raise UsageError(
            f"{len(first)} and {len(second)} flights cannot be compared", "Fly at least two on either side"
        )
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise UsageError("values that are not finite cannot be compared", "Leave them out, and say so")
    return first, second


def _of_constants(difference: float, band: float, alpha: float, sizes: tuple[int, int]) -> Equivalence:
    """Sets without any spread: a few equal flights are no proof that none would differ.

    They are worth as much as they would be to a test by permutation, whose smallest p value is one over the ways to
    share the flights out to the sides. Where that is above alpha the interval is unbounded.
    """
    least = 1 / math.comb(sum(sizes), sizes[0])
    p_value = least if abs(difference) < band else 1.0
    reach = 0.0 if least <= alpha else math.inf
    return _result(difference, difference - reach, difference + reach, alpha, p_value, band)


def _result(
    difference: float, low: float, high: float, alpha: float, p_value: float, band: float
) -> Equivalence:
    return Equivalence(
        difference, low, high, 1 - 2 * alpha, p_value, band, smallest_band=max(abs(low), abs(high))
    )

"""Power of tests that have no formula for it, by drawing flights and testing them as real ones are tested.

The answer is a share of draws, so it comes with its exact interval. Draws are normal; `generator` is passed in.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from asflown.grade.statistics.change_point import shift
from asflown.grade.statistics.equivalence import ALPHA, tost_percentile
from asflown.grade.statistics.proportion import Interval, clopper_pearson

DRAWS = 500
_RESAMPLES = 399
"""Of each draw's own test: with alpha 0.05, its grain of 1/400 costs hardly any power."""


def simulated_power(
    shows: Callable[[np.random.Generator], bool],
    generator: np.random.Generator,
    draws: int = DRAWS,
    confidence: float = 0.95,
) -> Interval:
    """How often `shows`, which draws flights and tests them, is true: the interval that holds its probability."""
    return clopper_pearson(sum(shows(generator) for _ in range(draws)), draws, confidence)


def shift_power(
    before: int,
    after: int,
    step: float,
    generator: np.random.Generator,
    *,
    alpha: float = ALPHA,
    draws: int = DRAWS,
) -> Interval:
    """How likely a series that moves by `step` standard deviations after `before` flights is found to have shifted."""

    def shows(own: np.random.Generator) -> bool:
        series = np.append(own.normal(size=before), own.normal(step, size=after))
        return shift(series.tolist(), own, _RESAMPLES).p_value <= alpha

    return simulated_power(shows, generator, draws)


def percentile_power(
    flights: int,
    percentile: float,
    band: float,
    spread: float,
    generator: np.random.Generator,
    *,
    difference: float = 0.0,
    alpha: float = ALPHA,
    draws: int = DRAWS,
) -> Interval:
    """How likely `flights` on each side show that a percentile is equivalent within `band`.

    Raises UsageError as `tost_percentile` does, for too few flights too.
    """

    def shows(own: np.random.Generator) -> bool:
        a, b = own.normal(0.0, spread, flights), own.normal(difference, spread, flights)
        return tost_percentile(a.tolist(), b.tolist(), band, percentile, own, alpha, _RESAMPLES).shown

    return simulated_power(shows, generator, draws)

"""Whether two samples of one number differ, are equivalent within a band, or the flights do not decide.

'No significant difference' is never taken for 'no difference': equivalence is shown by two one-sided tests (TOST,
Schuirmann 1987) or not at all. Spreads need not be equal (Welch). Flights that are twins are judged by their
differences, which `grade.statistics` does not offer; for independent sets the two agree, and a test says so. Numbers
that happen not to vary in a few flights are no proof that they never do: what so many equal ones are worth is counted.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

EQUIVALENCE_LEVEL = 0.05
"""Of each one-sided test; the interval that must lie in the band is then that of 90 %."""
WANTED_POWER = 0.8


@dataclass(frozen=True, slots=True)
class Difference:
    """Mean of B minus mean of A, how well it is known, and what that makes of it."""

    mean: float
    standard_error: float
    """0 when the numbers do not vary at all."""
    degrees: float
    least_p: float = 0.0
    """Where nothing varies: how often chance alone sorts equal numbers to the two sides as they lie here."""

    def p_changed(self) -> float:
        """How likely a difference at least as large is, had nothing changed (two-sided t)."""
        if self.standard_error == 0:
            return 1.0 if self.mean == 0 else self.least_p
        return float(2 * stats.t.sf(abs(self.mean) / self.standard_error, self.degrees))

    def p_equivalent(self, band: float) -> float:
        """The larger p of the two one-sided tests against `band`, the half width of what counts as none."""
        if self.standard_error == 0:
            return self.least_p / 2 if abs(self.mean) < band else 1.0
        return float(stats.t.sf((band - abs(self.mean)) / self.standard_error, self.degrees))

    def interval(self, level: float = 1 - 2 * EQUIVALENCE_LEVEL) -> tuple[float, float]:
        """The two-sided interval of the difference."""
        if self.standard_error == 0:
            return self.mean, self.mean
        reach = self.standard_error * float(stats.t.ppf(0.5 + level / 2, self.degrees))
        return self.mean - reach, self.mean + reach

    def power_of_equivalence(self, band: float) -> float:
        """How likely TOST had shown equivalence, had nothing changed; with the spread that was seen."""
        if self.standard_error == 0:
            return 1.0 if self.least_p / 2 <= EQUIVALENCE_LEVEL else 0.0
        critical = float(stats.t.isf(EQUIVALENCE_LEVEL, self.degrees))
        reach = band / self.standard_error
        # The probability over the mean for a known standard error, averaged over its chi-square distribution.
        chi2 = stats.chi2.ppf((np.arange(200) + 0.5) / 200, self.degrees) / self.degrees
        half = reach - critical * np.sqrt(chi2)
        inside = np.where(half > 0, 2 * stats.norm.cdf(half) - 1, 0.0)
        return float(inside.mean())

    def smallest_found(self, level: float) -> float:
        """The smallest change found with WANTED_POWER at this two-sided level, with the spread that was seen."""
        if self.standard_error == 0:
            return 0.0
        critical = float(stats.t.isf(level / 2, self.degrees))

        def lacking(shift: float) -> float:
            return float(stats.nct.sf(critical, self.degrees, shift)) - WANTED_POWER

        most = critical * 4 + 20
        return float(optimize.brentq(lacking, 0.0, most, xtol=1e-3)) * self.standard_error


MOST_FLIGHTS = 500


def flights_for_equivalence(band: float, spread: float) -> int | None:
    """How many flights a side show equivalence with WANTED_POWER, if there is any; None for more than MOST_FLIGHTS.

    `spread` is the standard deviation of one flight.
    """

    def shows(flights: int) -> bool:
        known = Difference(0.0, spread * math.sqrt(2 / flights), 2 * flights - 2)
        return known.power_of_equivalence(band) >= WANTED_POWER

    if not shows(MOST_FLIGHTS):
        return None
    return 2 + bisect.bisect_left(range(2, MOST_FLIGHTS), True, key=shows)


def unpaired(a: Sequence[float], b: Sequence[float]) -> Difference | None:
    """The difference of two independent samples; None for fewer than two numbers on either side."""
    if len(a) < 2 or len(b) < 2:
        return None
    parts = [float(np.var(side, ddof=1)) / len(side) for side in (a, b)]
    total = sum(parts)
    mean = float(np.mean(b) - np.mean(a))
    if total <= _rounding(a, b):
        ways = math.comb(len(a) + len(b), len(a))  # permutations of two sides
        return Difference(
            mean if abs(mean) ** 2 > _rounding(a, b) else 0.0, 0.0, math.inf, min(1.0, 2 / ways)
        )
    below = sum(part**2 / (len(side) - 1) for part, side in zip(parts, (a, b), strict=True))
    return Difference(mean, math.sqrt(total), total**2 / below)


def paired(a: Sequence[float], b: Sequence[float]) -> Difference | None:
    """The mean difference of twins, number by number; None for fewer than two."""
    if len(a) < 2:
        return None
    apart = np.subtract(b, a)
    spread = float(np.var(apart, ddof=1)) / len(apart)
    mean = float(np.mean(apart))
    if spread <= _rounding(a, b):
        alike = 2.0 ** (1 - len(apart))  # the sign test of as many differences to one side
        return Difference(mean if abs(mean) ** 2 > _rounding(a, b) else 0.0, 0.0, math.inf, alike)
    return Difference(mean, math.sqrt(spread), len(apart) - 1)


def _rounding(a: Sequence[float], b: Sequence[float]) -> float:
    """The square of what the last bits of such numbers may differ by."""
    largest = max(float(np.max(np.abs(side))) for side in (a, b))
    return (largest * 1e-12) ** 2

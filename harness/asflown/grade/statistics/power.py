"""What a set of flights can show, worked out before flying: power and the number of flights needed.

Spreads and bands are in the same unit. Power is the probability of showing what is true; it is exact for normal
values of equal spread.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from asflown.errors import UsageError
from asflown.grade.statistics.equivalence import ALPHA
from asflown.grade.statistics.proportion import share_at_least, share_at_most

_MOST_FLIGHTS = 10_000


def tost_power(
    flights: int, band: float, spread: float, *, difference: float = 0.0, alpha: float = ALPHA
) -> float:
    """How likely `flights` on each side show equivalence within `band` when the true means differ by `difference`.

    `spread` is the standard deviation of one flight. Integrates over the spread that is seen (pooled, 2n - 2 degrees
    of freedom), as Owen (Biometrika 52, 1965) has it for two one-sided tests.
    """
    _positive(band=band, spread=spread)
    if flights < 2:
        return 0.0
    import numpy as np  # noqa: PLC0415  heavy, and few need it
    from scipy.stats import chi2, norm, t  # noqa: PLC0415  as above

    free = 2 * flights - 2
    error = spread * math.sqrt(2 / flights)
    widest = (
        free * (band / (t.ppf(1 - alpha, free) * error)) ** 2
    )  # beyond it the interval is wider than the band
    nodes, weights = np.polynomial.legendre.leggauss(120)
    top = math.sqrt(min(widest, float(chi2.isf(1e-15, free))))
    root = (
        top * (nodes + 1) / 2
    )  # integrated over the root: chi-squared itself has a pole at 0 for few flights
    seen = root**2
    half = (band / error) - t.ppf(1 - alpha, free) * np.sqrt(seen / free)
    inside = norm.cdf(half - difference / error) - norm.cdf(-half - difference / error)
    chance = chi2.pdf(seen, free) * 2 * root * weights * top / 2
    return float(np.clip(np.sum(chance * inside), 0.0, 1.0))


def tost_flights(
    power: float, band: float, spread: float, *, difference: float = 0.0, alpha: float = ALPHA
) -> int | None:
    """The fewest flights on each side with at least this power; None where no 8,192 have it."""
    return _fewest(power, lambda n: tost_power(n, band, spread, difference=difference, alpha=alpha))


def difference_power(flights: int, difference: float, spread: float, alpha: float = ALPHA) -> float:
    """How likely `flights` on each side show, two-sided, that means differ which do so by `difference`."""
    _positive(spread=spread)
    if flights < 2:
        return 0.0
    return float(_t_test().power(abs(difference) / spread, flights, alpha))


def difference_flights(power: float, difference: float, spread: float, alpha: float = ALPHA) -> int | None:
    """The fewest flights on each side that show such a difference with this power; None where no 8,192 do."""
    return _fewest(power, lambda n: difference_power(n, difference, spread, alpha))


def _t_test() -> Any:
    from statsmodels.stats.power import TTestIndPower  # noqa: PLC0415  it takes a second, and few need it

    return TTestIndPower()


@dataclass(frozen=True, slots=True)
class Chances:
    """How likely a plan ends with each verdict; they add up to 1."""

    passes: float
    fails: float
    undecided: float


def share_chances(flights: int, share: float, confidence: float, true_share: float) -> Chances:
    """How `judge: {share, confidence}` over that many flights ends when `true_share` of all flights would pass."""
    from scipy.stats import binom  # noqa: PLC0415  as above

    if flights == 0:
        return Chances(0.0, 0.0, 1.0)
    counts = range(flights + 1)
    enough = bisect.bisect_left(counts, True, key=lambda n: share_at_least(n, flights, confidence) >= share)
    few = bisect.bisect_left(counts, True, key=lambda n: share_at_most(n, flights, confidence) >= share)
    passes = float(binom.sf(enough - 1, flights, true_share))
    fails = float(binom.cdf(few - 1, flights, true_share))
    return Chances(passes, fails, max(0.0, 1 - passes - fails))


def share_flights(power: float, share: float, confidence: float, true_share: float) -> int | None:
    """The fewest flights that pass with at least this probability; None where no 10,000 do.

    Power does not rise steadily with the number of flights: from the plan after this number on it may dip again.
    """
    if true_share <= share:
        return None
    for flights in range(1, _MOST_FLIGHTS + 1):
        if share_chances(flights, share, confidence, true_share).passes >= power:
            return flights
    return None


def _fewest(power: float, of: Callable[[int], float]) -> int | None:
    if not 0 < power < 1:
        raise UsageError(f"power={power} is none", "Give a number between 0 and 1")
    enough = 2
    while of(enough) < power:  # far beyond it the libraries' noncentral t fails
        enough *= 2
        if enough > _MOST_FLIGHTS:
            return None
    return bisect.bisect_left(range(enough), True, key=lambda flights: of(flights) >= power)


def _positive(**sizes: float) -> None:
    for name, size in sizes.items():
        if not 0 < size < math.inf:
            raise UsageError(f"{name}={size} is no size", "Give a number above zero")

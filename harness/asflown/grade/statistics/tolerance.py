"""Tolerance limits: bounds that a stated share of all flights keeps (`coverage`), with a stated confidence.

Distribution-free limits (Wilks, Ann. Math. Stat. 12, 1941) are values that were flown, and hold whatever values are
like as long as flights are independent. Normal limits need fewer flights and are wrong where values are not normal;
whoever uses them says so before flying, because a normality test of the same few flights cannot tell.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from asflown.errors import UsageError

Way = Literal["distribution-free", "normal"]
Side = Literal["upper", "lower", "both"]

_MOST_FLIGHTS = 1_000_000


@dataclass(frozen=True, slots=True)
class ToleranceLimits:
    """Between `low` and `high` lies at least `coverage` of all flights, with `confidence`; None is unbounded."""

    low: float | None
    high: float | None
    coverage: float
    confidence: float
    way: Way
    flights: int


def tolerance_limits(
    values: Sequence[float],
    coverage: float,
    confidence: float,
    *,
    side: Side = "upper",
    way: Way = "distribution-free",
) -> ToleranceLimits | None:
    """The tolerance limits of `values`, one of each flight; None where there are too few flights for any.

    Raises UsageError for values that are not finite, and for shares that are none.
    """
    _check(coverage, confidence)
    if not all(map(math.isfinite, values)):
        raise UsageError("tolerance limits of values that are not finite", "Leave them out, and say so")
    find = _normal if way == "normal" else _distribution_free
    ends = find(sorted(values), coverage, confidence, side)
    return None if ends is None else ToleranceLimits(*ends, coverage, confidence, way, len(values))


def _check(coverage: float, confidence: float) -> None:
    for name, share in (("coverage", coverage), ("confidence", confidence)):
        if not 0 < share < 1:
            raise UsageError(f"{name}={share} is no share", "Give a number between 0 and 1")


def flights_needed(coverage: float, confidence: float, *, side: Side = "upper", left_out: int = 0) -> int:
    """The fewest flights that distribution-free limits take, when the `left_out` most extreme values are not used.

    `both` leaves that many out at either end. Raises UsageError where no million flights are enough.
    """
    _check(coverage, confidence)
    ends = 2 if side == "both" else 1
    used = ends * (left_out + 1)

    def enough(flights: int) -> bool:
        return _confidence(flights, flights - used, coverage) >= confidence

    if not enough(_MOST_FLIGHTS):
        raise UsageError(
            f"no {_MOST_FLIGHTS} flights show {coverage:.6g} with confidence {confidence:.6g}", "Ask for less"
        )
    return bisect.bisect_left(range(_MOST_FLIGHTS), True, key=enough)


def _confidence(flights: int, blocks: int, coverage: float) -> float:
    """How sure it is that `blocks + 1` of the `flights + 1` gaps between sorted values hold `coverage`.

    P(coverage of them >= p) = P(Binomial(n, p) <= blocks): the gaps' shares are distributed as beta.
    """
    from scipy.stats import binom  # noqa: PLC0415  most of a second, and most verdicts need no tolerance limit

    return 0.0 if blocks < 0 else float(binom.cdf(blocks, flights, coverage))


_Ends = tuple[float | None, float | None]


def _distribution_free(values: list[float], coverage: float, confidence: float, side: Side) -> _Ends | None:
    """The tightest pair of flown values that holds the promise; symmetric in their order where there are two."""
    flights, ends = len(values), 2 if side == "both" else 1
    kept = -1
    for left_out in range(flights // ends):
        if _confidence(flights, flights - ends * (left_out + 1), coverage) < confidence:
            break
        kept = left_out
    if kept < 0:
        return None
    low = None if side == "upper" else values[kept]
    return low, None if side == "lower" else values[flights - 1 - kept]


def _normal(values: list[float], coverage: float, confidence: float, side: Side) -> _Ends | None:
    flights = len(values)
    if flights < 2:
        return None
    mean = math.fsum(values) / flights
    spread = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (flights - 1))
    factor = normal_factor(flights, coverage, confidence, two_sided=side == "both")
    low = None if side == "upper" else mean - factor * spread
    return low, None if side == "lower" else mean + factor * spread


@cache
def normal_factor(flights: int, coverage: float, confidence: float, *, two_sided: bool) -> float:
    """How many standard deviations from the mean the normal limits lie (ISO 16269-6); from two flights on.

    One-sided exactly, by the noncentral t distribution; two-sided exactly, by integration over the mean.
    """
    from scipy.stats import nct, norm  # noqa: PLC0415  as above

    if not two_sided:
        root = math.sqrt(flights)
        return float(nct.ppf(confidence, flights - 1, norm.ppf(coverage) * root)) / root
    return _two_sided_factor(flights, coverage, confidence)


def _two_sided_factor(flights: int, coverage: float, confidence: float) -> float:
    """The k at which the mean's and the deviation's chance add up to `confidence`.

    Given a mean that is off by z/sqrt(n) deviations, mean +- r holds `coverage` for r^2 the quantile of a noncentral
    chi-squared; k must then be so large that k s >= r as often as promised, averaged over z.
    """
    import numpy as np  # noqa: PLC0415  as above
    from scipy.optimize import brentq  # noqa: PLC0415  as above
    from scipy.stats import chi2, ncx2, norm  # noqa: PLC0415  as above

    nodes, weights = np.polynomial.legendre.leggauss(80)
    off = 4.5 * (nodes + 1)  # from 0 to 9 deviations: beyond lies less than 1e-18
    chance = 9 * weights * norm.pdf(off)  # both signs of z together
    reach = ncx2.ppf(coverage, 1, off**2 / flights)

    def missed(factor: float) -> float:
        kept = chi2.sf((flights - 1) * reach / factor**2, flights - 1)
        return float(np.sum(chance * kept)) - confidence

    return float(brentq(missed, 1e-3, 1e5, xtol=1e-10))

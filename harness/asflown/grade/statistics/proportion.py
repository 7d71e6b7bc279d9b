"""Shares of flights and how sure one can be of them: how often flights would pass, judged from those there are.

Clopper & Pearson (Biometrika 26, 1934): exact in the sense that the promised confidence is never missed, whatever
the true share. Bounds of `share_at_least` and `share_at_most` are one-sided; intervals are two-sided.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from asflown.errors import UsageError

MOST_FURTHER_FLIGHTS = 100_000


@dataclass(frozen=True, slots=True)
class Interval:
    """From `low` to `high`, both included, with this confidence."""

    low: float
    high: float
    confidence: float


def share_at_least(passed: int, flights: int, confidence: float) -> float:
    """The share that is exceeded with at least this confidence, when `passed` of `flights` passed."""
    from scipy.special import betaincinv  # noqa: PLC0415  a quarter of a second, and most verdicts need no bound

    return 0.0 if passed == 0 else float(betaincinv(passed, flights - passed + 1, 1 - confidence))


def share_at_most(passed: int, flights: int, confidence: float) -> float:
    """The share that is not exceeded with at least this confidence, when `passed` of `flights` passed."""
    return 1 - share_at_least(flights - passed, flights, confidence)


def clopper_pearson(passed: int, flights: int, confidence: float) -> Interval:
    """The exact two-sided interval of the share: it is missed at most as often as promised, on either side alike.

    Raises UsageError for numbers that are no counts.
    """
    return _interval(passed, flights, confidence, "exact")


def wilson(passed: int, flights: int, confidence: float) -> Interval:
    """The score interval of the share (Wilson, JASA 22, 1927): right on the average of all shares, and narrower.

    For drawing, not for verdicts: for some shares it is missed more often than promised. Raises as `clopper_pearson`.
    """
    return _interval(passed, flights, confidence, "wilson")


def _interval(passed: int, flights: int, confidence: float, method: Literal["exact", "wilson"]) -> Interval:
    if not 0 <= passed <= flights or flights == 0:
        raise UsageError(f"{passed} of {flights} flights is no share", "Count at least one flight")
    if not 0 < confidence < 1:
        raise UsageError(f"confidence={confidence} is none", "Give a number between 0 and 1")
    from scipy.stats import binomtest  # noqa: PLC0415  most of a second, and most verdicts need no interval

    found = binomtest(passed, flights).proportion_ci(confidence, method=method)
    return Interval(float(found.low), float(found.high), confidence)


def fewest_flights(share: float, confidence: float, failed: int = 0) -> int | None:
    """The fewest flights that can show at least this share, when `failed` of them fail.

    None where more than MOST_FURTHER_FLIGHTS would be needed.
    """

    def shows(flights: int) -> bool:
        return share_at_least(max(flights - failed, 0), flights, confidence) >= share

    return _first(shows)


def further_flights(
    passed: int, flights: int, share: float, confidence: float
) -> tuple[int | None, int | None]:
    """How many more flights would decide, if all of them passed, and if all of them failed.

    None where more than MOST_FURTHER_FLIGHTS would be needed.
    """

    def shows_enough(more: int) -> bool:
        return share_at_least(passed + more, flights + more, confidence) >= share

    def shows_too_few(more: int) -> bool:
        return share_at_most(passed, flights + more, confidence) < share

    return _first(shows_enough), _first(shows_too_few)


def _first(shows: Callable[[int], bool]) -> int | None:
    """The smallest number that shows it; once shown, it stays shown."""
    if not shows(MOST_FURTHER_FLIGHTS):
        return None
    return bisect.bisect_left(range(MOST_FURTHER_FLIGHTS), True, key=shows)

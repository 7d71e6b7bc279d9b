"""Confidence bounds of a share: how often flights would pass, judged from the flights there are.

Clopper & Pearson (Biometrika 26, 1934): exact in the sense that the promised confidence is never missed, whatever
the true share. Bounds are one-sided.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable

MOST_FURTHER_FLIGHTS = 100_000


def share_at_least(passed: int, flights: int, confidence: float) -> float:
    """The share that is exceeded with at least this confidence, when `passed` of `flights` passed."""
    from scipy.special import betaincinv  # noqa: PLC0415  a quarter of a second, and most verdicts need no bound

    return 0.0 if passed == 0 else float(betaincinv(passed, flights - passed + 1, 1 - confidence))


def share_at_most(passed: int, flights: int, confidence: float) -> float:
    """The share that is not exceeded with at least this confidence, when `passed` of `flights` passed."""
    return 1 - share_at_least(flights - passed, flights, confidence)


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

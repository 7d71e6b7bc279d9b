"""Which of several candidates in order was the first bad one: bisection whose steps are sequential tests.

The first candidate is taken to be good and the last to be bad, and both are flown to see whether that is so. Each
step's error is a share of the whole search's, so that the answer is wrong at most as often as stated.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass

from asflown.change.bisect_questions import Ask, Asker, Rates, Step
from asflown.change.words import count
from asflown.errors import UsageError


@dataclass(frozen=True, slots=True)
class FirstBad:
    """The answer of a bisection."""

    last_good: str | None
    """None: the first candidate is bad already."""
    first_bad: str | None
    """None: the last candidate is good."""
    steps: tuple[Step, ...]
    flights: int
    confidence: float
    """At least this likely right, when rates are as stated and badness, once there, stays."""

    @property
    def found(self) -> bool:
        """Whether there is a step from good to bad."""
        return self.last_good is not None and self.first_bad is not None


def first_bad(candidates: Sequence[str], rates: Rates, first_seed: int = 1) -> Generator[Ask, bool, FirstBad]:
    """Searches `candidates`, the oldest first. Raises UsageError for fewer than two, or one named twice."""
    if len(candidates) < 2 or len(set(candidates)) < len(candidates):
        raise UsageError(
            f"{count(len(candidates), 'candidate')} cannot be bisected",
            "Name two or more, each once, the good one first",
        )
    asker = Asker(rates, first_seed)
    error = rates.error / questions(len(candidates))
    low, high = 0, len(candidates) - 1
    if not (yield from asker.is_bad(candidates[high], error, f"is the last one, {candidates[high]}, bad?")):
        return _answer(asker, candidates[high], None)
    if (yield from asker.is_bad(candidates[low], error, f"is the first one, {candidates[low]}, good?")):
        return _answer(asker, None, candidates[low])
    while high - low > 1:
        middle = (low + high) // 2
        why = f"is {candidates[middle]} bad? ({high - low - 1} left)"
        if (yield from asker.is_bad(candidates[middle], error, why)):
            high = middle
        else:
            low = middle
    return _answer(asker, candidates[low], candidates[high])


def questions(candidates: int) -> int:
    """How many questions a bisection asks at most: both ends, and one for each halving."""
    return 2 + math.ceil(math.log2(max(candidates - 1, 1)))


def _answer(asker: Asker, last_good: str | None, first: str | None) -> FirstBad:
    return FirstBad(last_good, first, tuple(asker.steps), asker.flights, 1 - asker.risk)

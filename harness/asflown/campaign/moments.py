"""From which moment on something was all but certain: which moments to ask, how often, and what the answers say.

Knows nothing of flights: somebody answers whether it happened when chance begins anew at a moment. Moments are ticks
of 10 ms. A ladder over the whole span comes first, then the gap that matters is halved until it is narrow enough,
then the moment found is asked until that many answers bear it out.

That it is enough to halve rests on this: the probability of an end, given all that has happened so far, is a
martingale. Once it is 0.95, it falls to 0.5 again in at most one case of ten (Ville's inequality, J. Ville, Etude
critique de la notion de collectif, 1939), so a rising curve is fitted (isotonic regression: Barlow, Bartholomew,
Bremner & Brunk, Statistical Inference under Order Restrictions, 1972; both sources from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from asflown.grade.statistics.proportion import Interval, clopper_pearson
from asflown.grade.statistics.sequential import SequentialPlan, sequential_plan

CERTAIN = 0.95
"""All but certain, from this probability on."""
OPEN = 0.7
"""What is told apart from it moment by moment."""
CONFIDENCE = 0.95
BORNE_OUT = 59
"""So many answers, all alike, show CERTAIN with that confidence: 0.95^59 < 0.05."""
_AT_ONCE = 5


@dataclass(frozen=True, slots=True)
class Asked:
    """One question: what comes of chance that begins anew at `tick`; `number` counts from 0 at each moment."""

    tick: int
    number: int


Answers = Iterable[tuple[Asked, bool | None]]
Ask = Callable[[Sequence[Asked]], Answers]
"""Answers all, in any order; None where there is no answer, which counts as nothing."""


@dataclass(slots=True)
class Moment:
    """What was answered at one moment."""

    tick: int
    asked: int = 0
    happened: int = 0
    answered: int = 0
    fitted: float = 0.0
    """By the rising curve through all moments."""

    @property
    def at_s(self) -> float:
        """Flight time."""
        return self.tick / 100

    @property
    def interval(self) -> Interval:
        """Of the probability, by the answers at this moment alone. Raises UsageError where there are none."""
        return clopper_pearson(self.happened, self.answered, CONFIDENCE)


@dataclass(slots=True)
class Found:
    """All moments that were asked, and between which two of them it became all but certain."""

    end_tick: int
    moments: list[Moment] = field(default_factory=list)
    """In the order of time."""
    clear: bool = False
    """Whether it was pinned down as closely as wanted."""

    @property
    def from_moment(self) -> Moment | None:
        """The first moment from which on it was all but certain; None where that is only the end itself."""
        return next((one for one in self.moments if one.answered and one.fitted >= CERTAIN), None)

    @property
    def open_moment(self) -> Moment | None:
        """The last moment before that; None where it was all but certain from the first moment on."""
        until = self.from_moment
        before = [one for one in self.moments if until is None or one.tick < until.tick]
        return before[-1] if before else None

    @property
    def answered(self) -> int:
        """Over all moments."""
        return sum(one.answered for one in self.moments)

    def fit(self) -> None:
        """The rising curve that is nearest to the shares, weighted by how often each moment was asked."""
        from scipy.optimize import isotonic_regression  # noqa: PLC0415  heavy, and asked for here alone

        known = [one for one in self.moments if one.answered]
        if not known:
            return
        shares = [one.happened / one.answered for one in known]
        curve = isotonic_regression(shares, weights=[one.answered for one in known]).x
        for one, value in zip(known, np.asarray(curve, np.float64).tolist(), strict=True):
            one.fitted = value


def find_moment(end_tick: int, ask: Ask, *, within_ticks: int, most: int, rungs: int = 8) -> Found:
    """Asks at most `most` times; the answer lies between two moments that are no more than `within_ticks` apart."""
    found = Found(end_tick)
    ladder = sorted({round(rung * end_tick / rungs) for rung in range(rungs)})
    found.moments = [Moment(tick) for tick in ladder]
    _more(found, [(one, _AT_ONCE) for one in found.moments], ask, most)
    while not found.clear and (wanted := _next(found, within_ticks)):
        before = sum(one.asked for one in found.moments)
        _more(found, wanted, ask, most)
        if sum(one.asked for one in found.moments) == before:
            return found
    found.clear = True
    return found


def _next(found: Found, within_ticks: int) -> list[tuple[Moment, int]]:
    """Where to ask next, and how often; nothing when all is clear."""
    certain, still_open = found.from_moment, found.open_moment
    unsettled = [one for one in (still_open, certain) if one is not None and not _settled(one)]
    if unsettled:
        return [(one, _AT_ONCE) for one in unsettled]
    end = found.end_tick if certain is None else certain.tick
    begin = 0 if still_open is None else still_open.tick
    if still_open is not None and end - begin > within_ticks:
        middle = Moment((begin + end) // 2)
        found.moments = sorted([*found.moments, middle], key=lambda one: one.tick)
        return [(middle, _AT_ONCE)]
    if certain is not None and certain.asked < BORNE_OUT:
        return [(certain, min(2 * _AT_ONCE, BORNE_OUT - certain.asked))]
    return []


def _settled(one: Moment) -> bool:
    """Whether the answers at a moment tell CERTAIN from OPEN, whatever the order they came in."""
    return one.asked >= BORNE_OUT or _plan().decision(one.answered, one.answered - one.happened) is not None


@cache
def _plan() -> SequentialPlan:
    return sequential_plan(1 - CERTAIN, 1 - OPEN)


def _more(found: Found, wanted: Sequence[tuple[Moment, int]], ask: Ask, most: int) -> None:
    """Asks, as long as questions are left, and fits the curve anew."""
    left = most - sum(one.asked for one in found.moments)
    questions: list[Asked] = []
    by_tick = {one.tick: one for one, _ in wanted}
    for one, wished in wanted:
        times = max(0, min(wished, left))
        questions += [Asked(one.tick, one.asked + number) for number in range(times)]
        one.asked, left = one.asked + times, left - times
    if not questions:
        return
    for asked, happened in ask(questions):
        if happened is not None:
            by_tick[asked.tick].answered += 1
            by_tick[asked.tick].happened += happened
    found.fit()

"""Is this candidate bad? Asked flight by flight, until a sequential test with stated error rates decides.

A search is a generator: it yields the flight it wants next and is sent whether that flight was bad. So it knows
nothing of how flights are flown, can be stopped after any flight, and is resumed by sending again what is known.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from functools import lru_cache

from asflown.errors import UsageError
from asflown.grade.statistics import SequentialPlan, sequential_plan

ERROR = 0.05
"""Chance of a wrong answer of a whole search."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One flight that a search wants."""

    candidate: str
    seed: int
    why: str
    """What is asked, for a person: `is r3.4 bad?`"""


@dataclass(frozen=True, slots=True)
class Rates:
    """How often flights fail: at most `good` of a good candidate's, at least `bad` of a bad one's."""

    good: float = 0.05
    bad: float = 0.6
    error: float = ERROR

    def __post_init__(self) -> None:
        """Raises UsageError for rates that are not in order."""
        if not 0 < self.good < self.bad < 1 or not 0 < self.error < 0.5:
            raise UsageError(
                f"rates good={self.good:g}, bad={self.bad:g}, error={self.error:g} are not in order",
                "Write 0 < good < bad < 1, and an error between 0 and 0.5",
            )


@dataclass(frozen=True, slots=True)
class Step:
    """One question, answered."""

    candidate: str
    bad: bool
    flights: int
    failed: int
    risk: float
    """Chance of this answer when the other one is right, at the stated rates."""


Question = Generator[Ask, bool, Step]


@dataclass(slots=True)
class Asker:
    """Asks whether candidates are bad, each once, and keeps the answers. `first_seed`: seeds count up from it."""

    rates: Rates
    first_seed: int = 1
    steps: list[Step] = field(default_factory=list)

    def is_bad(self, candidate: str, error: float, why: str) -> Generator[Ask, bool, bool]:
        """Whether a candidate is bad; either wrong answer has at most the chance `error`."""
        step = yield from _question(candidate, self.rates, error, self.first_seed, why)
        self.steps.append(step)
        return step.bad

    @property
    def flights(self) -> int:
        """Flown until now."""
        return sum(step.flights for step in self.steps)

    @property
    def risk(self) -> float:
        """Chance that any answer until now is wrong, at most."""
        return min(1.0, sum(step.risk for step in self.steps))


def _question(candidate: str, rates: Rates, error: float, first_seed: int, why: str) -> Question:
    plan = plan_for(rates.good, rates.bad, _on_grid(error))
    flights = failed = 0
    decision = None
    while decision is None:
        bad = yield Ask(candidate, first_seed + flights, why)
        flights, failed = flights + 1, failed + bad
        decision = plan.decision(flights, failed)
    rejected = decision == "reject"
    return Step(candidate, rejected, flights, failed, _risks(plan)[rejected])


@lru_cache(maxsize=64)
def plan_for(good: float, bad: float, error: float) -> SequentialPlan:
    """The test for one question."""
    return sequential_plan(good, bad, alpha=error, beta=error)


@lru_cache(maxsize=64)
def _risks(plan: SequentialPlan) -> tuple[float, float]:
    """How likely a plan accepts the bad, and rejects the good: exact."""
    return plan.characteristic(plan.bad).accepts, plan.characteristic(plan.good).rejects


def _on_grid(error: float) -> float:
    """The next smaller of a few error rates, so that plans are made once."""
    step = 0.4
    while step > error:
        step *= 0.8
    return step

"""Deciding flight by flight whether failures are rare enough: a truncated sequential probability ratio test.

A. Wald (Sequential Analysis, 1947). `alpha` is the chance of rejecting when just the `good` share of flights fails,
`beta` that of accepting when the `bad` share does. Wald's own lines are approximate and a cut-off adds errors, so a
plan's lines are drawn in until its error rates, worked out exactly over all ways to go, keep to what is stated.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

from asflown.errors import UsageError

Decision = Literal["accept", "reject"]

_MOST_FLIGHTS = 20_000
_TIGHTER = 0.97


@dataclass(frozen=True)
class Step:
    """Where a test stands: decided or not, and after how many flights of which how many failed."""

    decision: Decision | None
    flights: int
    failed: int


@dataclass(frozen=True, slots=True)
class Characteristic:
    """How a plan ends when a share of all flights fails, exactly."""

    failure_rate: float
    accepts: float
    rejects: float
    mean_flights: float


@dataclass(frozen=True)
class SequentialPlan:
    """Up to `longest` flights. Compare the log likelihood ratio with `accept_at` (below) and `reject_at` (above).

    After `longest` flights without a decision, more than `most_failed` failures reject.
    """

    good: float
    bad: float
    alpha: float
    beta: float
    accept_at: float
    reject_at: float
    longest: int
    most_failed: int

    @property
    def of_failure(self) -> float:
        """What a failed flight adds to the log likelihood ratio."""
        return math.log(self.bad / self.good)

    @property
    def of_pass(self) -> float:
        """What a passed flight adds to it: below zero."""
        return math.log((1 - self.bad) / (1 - self.good))

    def decision(self, flights: int, failed: int) -> Decision | None:
        """What is decided after that many flights, when nothing was decided before."""
        ratio = failed * self.of_failure + (flights - failed) * self.of_pass
        if flights and ratio >= self.reject_at - 1e-9:
            return "reject"
        if flights and ratio <= self.accept_at + 1e-9:
            return "accept"
        if flights < self.longest:
            return None
        return "reject" if failed > self.most_failed else "accept"

    def walk(self, failed: Iterable[bool]) -> Step:
        """Takes flights one by one, as long as nothing is decided; the rest is not looked at."""
        flights = failures = 0
        for this_failed in failed:
            flights, failures = flights + 1, failures + this_failed
            decision = self.decision(flights, failures)
            if decision is not None:
                return Step(decision, flights, failures)
        return Step(None, flights, failures)

    def characteristic(self, failure_rate: float) -> Characteristic:
        """How the plan ends when this share of all flights fails: all ways are summed up."""
        import numpy as np  # noqa: PLC0415  heavy, and few need it

        low, high = self._open
        here = np.zeros(self.longest + 2)
        here[0] = 1.0
        accepts = rejects = mean = 0.0
        for flights in range(1, self.longest + 1):
            mean += float(here.sum())
            here[1:] = here[1:] * (1 - failure_rate) + here[:-1] * failure_rate
            here[0] *= 1 - failure_rate
            accepts += float(here[: low[flights]].sum())
            rejects += float(here[high[flights] :].sum())
            here[: low[flights]] = 0.0
            here[high[flights] :] = 0.0
        return Characteristic(failure_rate, accepts, rejects, mean)

    @cached_property
    def _open(self) -> tuple[Any, Any]:
        """For each number of flights, the failures from which nothing is decided, and from which it rejects."""
        import numpy as np  # noqa: PLC0415  as above

        flights = np.arange(self.longest + 1)
        each, lift = self.of_failure - self.of_pass, -flights * self.of_pass
        low = np.floor((self.accept_at + 1e-9 + lift) / each).astype(np.int64) + 1
        high = np.ceil((self.reject_at - 1e-9 + lift) / each).astype(np.int64)
        low[0], high[0] = 0, 1
        high = np.clip(high, 0, self.longest + 2)
        low[-1] = high[-1] = self._cut(int(low[-1]), int(high[-1]))
        return np.clip(low, 0, self.longest + 2), high

    def _cut(self, low: int, high: int) -> int:
        """The failures from which the last flight rejects: between the lines, as stated."""
        return min(max(self.most_failed + 1, low), high)


def wald_lines(alpha: float, beta: float) -> tuple[float, float]:
    """Wald's own lines for the log likelihood ratio: below the first accept, above the second reject."""
    return math.log(beta / (1 - alpha)), math.log((1 - beta) / alpha)


def sequential_plan(
    good: float, bad: float, alpha: float = 0.05, beta: float = 0.05, longest: int | None = None
) -> SequentialPlan:
    """A plan that tells a failure rate of `good` from one of `bad` with these error rates, kept exactly.

    `longest` caps the flights; by default half as many again as a test of fixed size would take. Raises UsageError
    for rates that are not in order, and where `longest` flights cannot keep the error rates.
    """
    if not 0 < good < bad < 1:
        raise UsageError(f"good={good} and bad={bad} are not in order", "Write 0 < good < bad < 1")
    if not (0 < alpha < 0.5 and 0 < beta < 0.5):
        raise UsageError(f"alpha={alpha}, beta={beta} are no error rates", "Write numbers between 0 and 0.5")
    fixed = fixed_flights(good, bad, alpha, beta)
    cap = math.ceil(1.5 * fixed) if longest is None else longest
    if cap < fixed:
        raise UsageError(
            f"{cap} flights cannot tell {good:g} from {bad:g} with these error rates", f"Allow {fixed}"
        )
    return _drawn_in(good, bad, alpha, beta, cap)


def _drawn_in(good: float, bad: float, alpha: float, beta: float, cap: int) -> SequentialPlan:
    """The plan with the widest lines that keep the error rates: at the limit it is the test of fixed size."""
    nominal_alpha, nominal_beta = alpha, beta
    most_failed = int(_cut_off(cap, good, alpha))
    while True:
        lines = wald_lines(nominal_alpha, nominal_beta)
        plan = SequentialPlan(good, bad, alpha, beta, *lines, cap, most_failed)
        too_many_rejected = plan.characteristic(good).rejects > alpha
        too_many_accepted = plan.characteristic(bad).accepts > beta
        if not too_many_rejected and not too_many_accepted:
            return plan
        if too_many_rejected:
            nominal_alpha *= _TIGHTER
        if too_many_accepted:
            nominal_beta *= _TIGHTER
        if min(nominal_alpha, nominal_beta) < 1e-12:
            raise UsageError(
                f"{cap} flights cannot tell {good:g} from {bad:g} with these error rates", "Allow more"
            )


def fixed_flights(good: float, bad: float, alpha: float, beta: float) -> int:
    """The fewest flights that keep both error rates when they are all flown, whatever happens meanwhile."""
    import numpy as np  # noqa: PLC0415  as above
    from scipy.stats import binom  # noqa: PLC0415  most of a second, and few need it

    flights = np.arange(1, 65)
    while flights[0] < _MOST_FLIGHTS:
        fit = np.asarray(binom.cdf(_cut_off(flights, good, alpha), flights, bad)) <= beta
        if fit.any():
            return int(flights[np.argmax(fit)])
        flights = np.arange(flights[-1] + 1, 2 * flights[-1] + 1)
    raise UsageError(f"no {_MOST_FLIGHTS} flights tell {good:g} from {bad:g}", "Choose rates farther apart")


def _cut_off(flights: Any, good: float, alpha: float) -> Any:
    """The fewest failures that are not exceeded more often than `alpha` at the good rate; shape of `flights`."""
    from scipy.stats import binom  # noqa: PLC0415  as above

    return binom.isf(alpha, flights, good)

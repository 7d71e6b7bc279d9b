"""How often verdicts and limits are wrong over synthetic fleets whose truth is known, beside what is stated.

Prints the table of harness/docs/verdict-coverage.md: `python -m tests.benchmarks.verdict_coverage`. Every row draws
2,000 fleets with a generator of its own, so that a run repeats itself. A row is kept when the error rate seen does
not show, with confidence 99.9 %, that the true one is above what is stated. Rows marked as warnings show what happens
where a promise is not made; they are expected to be above it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from asflown.grade.result import VerdictWord
from asflown.grade.statistics import (
    holm,
    sequential_plan,
    share_at_least,
    share_at_most,
    shift,
    tolerance_limits,
    tost,
    tost_percentile,
)
from asflown.grade.statistics.tolerance import Way
from asflown.grade.verdict import JudgedFlight, judge_flights
from asflown.scenario.model import Share90

FLEETS = 2000
SEED = 20_250_101
Generator = np.random.Generator
Clock = Literal["lockstep", "paced"]


@dataclass(frozen=True, slots=True)
class Case:
    """One row: whether one synthetic fleet was judged wrongly, and how often that may be so."""

    name: str
    wrong: Callable[[Generator], bool]
    stated: float
    is_warning: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """What a case came to."""

    case: Case
    seen: float
    surely_above: float
    """The error rate is above this with confidence 99.9 %."""

    @property
    def kept(self) -> bool:
        """Whether the stated error rate is not refuted."""
        return self.surely_above <= self.case.stated


def run(case: Case, fleets: int = FLEETS) -> Row:
    """Draws the fleets of a case and counts the wrong ones."""
    generator = np.random.default_rng([SEED, *case.name.encode()])
    wrong = sum(case.wrong(generator) for _ in range(fleets))
    return Row(case, wrong / fleets, share_at_least(wrong, fleets, 0.999))


def fleet(
    generator: Generator, passing: float, flights: int, clock: Clock = "paced", undecided: float = 0.0
) -> list[JudgedFlight]:
    """Flights that pass with a known probability; a share of them, whatever they would have done, decides nothing."""
    passed = generator.random(flights) < passing
    nothing = generator.random(flights) < undecided
    words: list[VerdictWord] = [
        "inconclusive" if none else "pass" if ok else "fail" for ok, none in zip(passed, nothing, strict=True)
    ]
    return [JudgedFlight(word, seed, clock) for seed, word in enumerate(words)]


def wrong_word(
    generator: Generator,
    word: VerdictWord,
    judge: Share90,
    make: Callable[[Generator], list[JudgedFlight]],
) -> bool:
    """Whether the verdict is the wrong one, `word`."""
    return judge_flights(make(generator), judge).word == word


def copied(generator: Generator, passing: float, flights: int) -> list[JudgedFlight]:
    """Every flight in lockstep three times over."""
    return fleet(generator, passing, flights, "lockstep") * 3


def on_both_clocks(generator: Generator, passing: float, flights: int) -> list[JudgedFlight]:
    """As many flights on either clock."""
    return fleet(generator, passing, flights, "lockstep") + fleet(generator, passing, flights)


def share_cases() -> list[Case]:
    """Verdicts by share: passing just below the share asked for, and failing just at it, are the worst cases."""
    cases = []
    for share, confidence, flights in (
        *((0.9, 0.9, 22), (0.9, 0.9, 60), (0.9, 0.95, 100)),
        *((0.8, 0.9, 11), (0.8, 0.9, 40), (0.95, 0.95, 59), (0.95, 0.9, 150), (0.5, 0.8, 20)),
    ):
        judge = Share90(share=share, confidence=confidence)
        what = f"{share:g} with confidence {confidence:g}, {flights} flights"
        make = partial(fleet, passing=share - 1e-9, flights=flights)
        cases.append(
            Case(
                f"wrong pass: {what}",
                partial(wrong_word, word="pass", judge=judge, make=make),
                1 - confidence,
            )
        )
        make = partial(fleet, passing=share, flights=flights)
        cases.append(
            Case(
                f"wrong fail: {what}",
                partial(wrong_word, word="fail", judge=judge, make=make),
                1 - confidence,
            )
        )
    return cases


def kind_cases() -> list[Case]:
    """What must not be counted twice, or in one statistic, or as a pass."""
    judge = Share90(share=0.9, confidence=0.9)
    makes: list[tuple[str, VerdictWord, Callable[[Generator], list[JudgedFlight]]]] = [
        ("wrong pass: each flight copied twice", "pass", partial(copied, passing=0.9 - 1e-9, flights=22)),
        ("wrong fail: each flight copied twice", "fail", partial(copied, passing=0.9, flights=60)),
        ("wrong pass: 30 flights on either clock", "pass", partial(on_both_clocks, passing=0.9, flights=30)),
        ("wrong fail: 60 flights on either clock", "fail", partial(on_both_clocks, passing=0.9, flights=60)),
        (
            "wrong pass: 5 % of flights undecided",
            "pass",
            partial(fleet, passing=0.9, flights=40, undecided=0.05),
        ),
        (
            "wrong fail: 5 % of flights undecided",
            "fail",
            partial(fleet, passing=0.9, flights=60, undecided=0.05),
        ),
    ]
    return [
        Case(name, partial(wrong_word, word=word, judge=judge, make=make), 0.1) for name, word, make in makes
    ]


def wrong_when_flown_on(generator: Generator, share: float, confidence: float, most: int) -> bool:
    """Looks after every flight and stops as soon as a pass is shown: nobody promises anything of this."""
    passed = np.cumsum(generator.random(most) < share - 1e-9)
    return any(share_at_least(int(p), n, confidence) >= share for n, p in enumerate(passed, start=1))


def wrong_sequential(generator: Generator, rate: float, wrongly: str) -> bool:
    """The sequential test looks after every flight, too, and is made for it."""
    plan = SEQUENTIAL
    return plan.walk((generator.random(plan.longest) < rate).tolist()).decision == wrongly


SEQUENTIAL = sequential_plan(0.05, 0.20, alpha=0.05, beta=0.10)


def looking_cases() -> list[Case]:
    """Deciding flight by flight."""
    name = "sequential test, 0.05 against 0.2"
    return [
        Case(f"{name}: wrong reject", partial(wrong_sequential, rate=0.05, wrongly="reject"), 0.05),
        Case(f"{name}: wrong accept", partial(wrong_sequential, rate=0.20, wrongly="accept"), 0.10),
        Case(
            "wrong pass: 0.9 with confidence 0.9, looked at after each of 200 flights",
            partial(wrong_when_flown_on, share=0.9, confidence=0.9, most=200),
            0.1,
            is_warning=True,
        ),
    ]


def limit_misses(generator: Generator, shape: str, flights: int, way: Way, coverage: float) -> bool:
    """Whether less than `coverage` of all values lies below the upper tolerance limit of a set."""
    normal = generator.normal(size=flights)
    values = normal if shape == "normal" else np.exp(normal)
    limits = tolerance_limits(values.tolist(), coverage, 0.9, way=way)
    if limits is None or limits.high is None:
        return False
    quantile = NORMAL_QUANTILE[coverage]
    return limits.high < (quantile if shape == "normal" else np.exp(quantile))


NORMAL_QUANTILE = {0.9: 1.2815515655446004}


def limit_cases() -> list[Case]:
    """Tolerance limits for 90 % of all flights with confidence 90 %."""
    made: list[tuple[str, str, int, Way, bool]] = [
        ("distribution-free, normal values, 22 flights", "normal", 22, "distribution-free", False),
        ("distribution-free, skewed values, 22 flights", "skewed", 22, "distribution-free", False),
        ("distribution-free, skewed values, 60 flights", "skewed", 60, "distribution-free", False),
        ("normal, normal values, 5 flights", "normal", 5, "normal", False),
        ("normal, normal values, 30 flights", "normal", 30, "normal", False),
        ("normal, skewed values, 30 flights", "skewed", 30, "normal", True),
    ]
    return [
        Case(
            f"tolerance limit too low: {name}",
            partial(limit_misses, shape=shape, flights=flights, way=way, coverage=0.9),
            0.1,
            is_warning,
        )
        for name, shape, flights, way, is_warning in made
    ]


def wrong_equivalence(generator: Generator, flights: tuple[int, int], spreads: tuple[float, float]) -> bool:
    """Means that differ by just the band are called equivalent."""
    first = generator.normal(0.0, spreads[0], flights[0])
    second = generator.normal(1.5, spreads[1], flights[1])
    return tost(first.tolist(), second.tolist(), 1.5).shown


def wrong_percentile(generator: Generator, percentile: float, flights: int) -> bool:
    """Percentiles that differ by just the band are called equivalent."""
    first, second = generator.normal(0.0, 1.0, flights), generator.normal(1.5, 1.0, flights)
    found = tost_percentile(first.tolist(), second.tolist(), 1.5, percentile, generator, resamples=499)
    return found.shown


def wrong_shift(generator: Generator, flights: int) -> bool:
    """A steady series is called shifted."""
    return shift(generator.exponential(size=flights).tolist(), generator, resamples=199).p_value <= 0.05


def wrong_name(generator: Generator, measures: int) -> bool:
    """Of measures that have not changed, any is named."""
    return min(holm(generator.random(measures).tolist())) <= 0.05


def comparing_cases() -> list[Case]:
    """Judging change, each at the edge of its null hypothesis."""
    equivalences = [
        ("5 and 5 flights", (5, 5), (1.0, 1.0)),
        ("20 and 20 flights", (20, 20), (1.0, 1.0)),
        ("10 and 30 flights, spreads 2 and 0.5", (10, 30), (2.0, 0.5)),
    ]
    percentiles = [(50.0, 20), (90.0, 20), (90.0, 60), (95.0, 40)]
    return [
        *(
            Case(
                f"wrong equivalence of means: {name}", partial(wrong_equivalence, flights=n, spreads=s), 0.05
            )
            for name, n, s in equivalences
        ),
        *(
            Case(
                f"wrong equivalence of {percentile:g}th percentiles (bootstrap): {flights} and {flights} flights",
                partial(wrong_percentile, percentile=percentile, flights=flights),
                0.05,
            )
            for percentile, flights in percentiles
        ),
        Case("wrong shift: 12 flights", partial(wrong_shift, flights=12), 0.05),
        Case("wrong shift: 40 flights", partial(wrong_shift, flights=40), 0.05),
        Case("any of 12 unchanged measures named (Holm)", partial(wrong_name, measures=12), 0.05),
    ]


def all_cases() -> list[Case]:
    """Every row of the table."""
    return [*share_cases(), *kind_cases(), *looking_cases(), *limit_cases(), *comparing_cases()]


def table(rows: list[Row]) -> str:
    """The rows as Markdown."""
    lines = [
        "| what may be wrong | stated: at most | seen in 2,000 fleets | 99.9 % interval | |",
        "|---|---|---|---|---|",
    ]
    for row in rows:
        wrong = round(row.seen * FLEETS)
        high = share_at_most(wrong, FLEETS, 0.999)
        word = "kept" if row.kept else "**above**"
        if row.case.is_warning:
            word = "warning: nothing is promised here"
        between = f"{row.surely_above:.3f} to {high:.3f}"
        lines.append(f"| {row.case.name} | {row.case.stated:.3f} | {row.seen:.4f} | {between} | {word} |")
    return "\n".join(lines)


def main() -> int:
    """Prints the table; 1 when a promise is broken."""
    rows = [run(case) for case in all_cases()]
    print(table(rows))
    return 0 if all(row.kept or row.case.is_warning for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())

"""What several flights of one scenario on one vehicle add up to, and the exit code of a run.

Equal seeds in lockstep are copies of one flight and count once. Flights on different clocks are never mixed in one
statistic: each clock is judged by itself, and the worst verdict stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from asflown.errors import ExitCode
from asflown.grade.result import VerdictWord
from asflown.grade.statistics.proportion import further_flights, share_at_least, share_at_most
from asflown.scenario.model import Share90

RANK: tuple[VerdictWord, ...] = ("fail", "error", "inconclusive", "pass")
"""The worst first: a failure outranks a flight that could not be carried out, which outranks no decision."""

_EXIT_CODES: dict[VerdictWord, ExitCode] = {
    "fail": ExitCode.FAILED,
    "error": ExitCode.NOT_FLOWN,
    "inconclusive": ExitCode.INCONCLUSIVE,
    "pass": ExitCode.PASSED,
}


@dataclass(frozen=True, slots=True)
class JudgedFlight:
    """One flight's verdict, and what tells it from a copy."""

    verdict: VerdictWord
    seed: int
    clock: Literal["lockstep", "paced"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """One word, and the sentence that says how it follows from the flights."""

    word: VerdictWord
    statement: str


def worst(words: Iterable[VerdictWord]) -> VerdictWord:
    """The verdict that outranks all others; `pass` of none."""
    return min(words, key=RANK.index, default="pass")


def exit_code_of(words: Iterable[VerdictWord]) -> ExitCode:
    """The exit code of a run with these verdicts."""
    return _EXIT_CODES[worst(words)]


def judge_flights(flights: Sequence[JudgedFlight], judge: Literal["every-flight"] | Share90) -> Verdict:
    """The verdict on a scenario from its flights; the order of the flights does not matter."""
    if not flights:
        return Verdict("error", "no flight was carried out")
    if isinstance(judge, Share90):
        return _by_share(flights, judge)
    return _every(flights)


def _every(flights: Sequence[JudgedFlight]) -> Verdict:
    word = worst(flight.verdict for flight in flights)
    if word == "pass":
        return Verdict(word, f"{_of_all(len(flights), len(flights))} passed")
    those = sorted({flight.seed for flight in flights if flight.verdict == word})
    number = sum(flight.verdict == word for flight in flights)
    seeds = f"seed{'' if len(those) == 1 else 's'} {', '.join(map(str, those))}"
    return Verdict(word, f"{_of_all(number, len(flights))} {_DID[word]} ({seeds})")


_DID: dict[VerdictWord, str] = {
    "fail": "failed",
    "error": "could not be carried out",
    "inconclusive": "did not decide",
    "pass": "passed",
}


def _of_all(number: int, all_of_them: int) -> str:
    return f"{number} of {all_of_them} flight{'' if all_of_them == 1 else 's'}"


def _by_share(flights: Sequence[JudgedFlight], judge: Share90) -> Verdict:
    clocks = sorted({flight.clock for flight in flights})
    verdicts = [_of_clock([flight for flight in flights if flight.clock == clock], judge) for clock in clocks]
    if len(verdicts) == 1:
        return verdicts[0]
    named = [f"{clock}: {verdict.statement}" for clock, verdict in zip(clocks, verdicts, strict=True)]
    return Verdict(worst(verdict.word for verdict in verdicts), "; ".join(named))


def _of_clock(flights: Sequence[JudgedFlight], judge: Share90) -> Verdict:
    """The verdict on flights of one clock. Undecided flights count against whatever is to be shown."""
    words = _without_copies(flights)
    errors = words.count("error")
    flown = len(words) - errors
    passed, undecided = words.count("pass"), words.count("inconclusive")
    counted = f"{_of_all(passed, flown)} passed"
    asked = f"{judge.share:.4g} of all flights, with confidence {judge.confidence:.4g}"
    if flown:
        at_least = share_at_least(passed, flown, judge.confidence)
        at_most = share_at_most(passed + undecided, flown, judge.confidence)
        if at_most < judge.share:
            return Verdict("fail", f"{counted}: at most {at_most:.3f} would, asked for is {asked}")
        if at_least >= judge.share and not errors:
            return Verdict("pass", f"{counted}: at least {at_least:.3f} would, asked for is {asked}")
    if errors:
        return Verdict("error", f"{_of_all(errors, len(words))} could not be carried out; {counted}")
    return Verdict(
        "inconclusive", f"{counted}: {_what_would_decide(passed, flown, judge)}; asked for is {asked}"
    )


def _without_copies(flights: Sequence[JudgedFlight]) -> list[VerdictWord]:
    """One verdict for each flight that is a sample of its own: of copies, the worst."""
    alone = [flight.verdict for flight in flights if flight.clock != "lockstep"]
    seeds = sorted({flight.seed for flight in flights if flight.clock == "lockstep"})
    return alone + [
        worst(flight.verdict for flight in flights if flight.clock == "lockstep" and flight.seed == seed)
        for seed in seeds
    ]


def _what_would_decide(passed: int, flown: int, judge: Share90) -> str:
    if_passed, if_failed = further_flights(passed, flown, judge.share, judge.confidence)
    ways = [
        f"{number} more flight{'' if number == 1 else 's'} that all {did} would decide"
        for number, did in ((if_passed, "pass"), (if_failed, "fail"))
        if number is not None
    ]
    return "this does not decide; " + ", or ".join(ways)

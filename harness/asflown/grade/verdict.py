"""What several flights of one scenario on one vehicle add up to, and the exit code of a run.

Equal seeds in lockstep are copies of one flight and count once. Flights on different clocks, or of different
releases, are never mixed in one statistic: each kind is judged by itself, and the worst verdict stands.
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


Kind = tuple[str, str]
"""Clock and release."""


@dataclass(frozen=True, slots=True)
class JudgedFlight:
    """One flight's verdict, and what tells it from a copy."""

    verdict: VerdictWord
    seed: int
    clock: Literal["lockstep", "paced"]
    release: str = ""
    """What flew the vehicle; '' where it does not tell."""

    @property
    def kind(self) -> Kind:
        """What it may be put into one statistic with."""
        return self.clock, self.release

    @property
    def original(self) -> tuple[Kind, int] | None:
        """What copies of it have in common; None where no flight is a copy of another."""
        return (self.kind, self.seed) if self.clock == "lockstep" else None


@dataclass(frozen=True, slots=True)
class Verdict:
    """One word, and the sentence that says how it follows from the flights."""

    word: VerdictWord
    statement: str
    confidence: float | None = None
    """How sure `pass` and `fail` are; None where the verdict speaks of the flights that were flown, and no others."""
    would_decide: str = ""
    """What would decide, where the evidence does not: a sentence."""


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
        return Verdict(word, f"{_of_all(len(flights), len(flights))} passed{_copies(flights)}")
    those = sorted({flight.seed for flight in flights if flight.verdict == word})
    number = sum(flight.verdict == word for flight in flights)
    seeds = f"seed{'' if len(those) == 1 else 's'} {', '.join(map(str, those))}"
    return Verdict(word, f"{_of_all(number, len(flights))} {_DID[word]} ({seeds}){_copies(flights)}")


def _copies(flights: Sequence[JudgedFlight]) -> str:
    """How many flights say nothing that another one does not say; empty when all speak for themselves."""
    originals = [flight.original for flight in flights if flight.original is not None]
    copies = len(originals) - len(set(originals))
    if not copies:
        return ""
    return f"; {copies} {'repeats' if copies == 1 else 'repeat'} a seed in lockstep, as a copy does"


_DID: dict[VerdictWord, str] = {
    "fail": "failed",
    "error": "could not be carried out",
    "inconclusive": "did not decide",
    "pass": "passed",
}


def _of_all(number: int, all_of_them: int) -> str:
    return f"{number} of {all_of_them} flight{'' if all_of_them == 1 else 's'}"


def by_kind(flights: Iterable[JudgedFlight]) -> dict[Kind, tuple[JudgedFlight, ...]]:
    """Flights that may stand in one statistic, each kind by itself, in the kinds' order."""
    kinds: dict[Kind, list[JudgedFlight]] = {}
    for flight in flights:
        kinds.setdefault(flight.kind, []).append(flight)
    return {kind: tuple(kinds[kind]) for kind in sorted(kinds)}


def kind_in_words(kind: Kind, among: Iterable[Kind]) -> str:
    """`lockstep`, `r2` or `lockstep r2`: what tells a kind from the others."""
    others = list(among)
    parts = [part for place, part in enumerate(kind) if len({other[place] for other in others}) > 1]
    return " ".join(part or "unknown release" for part in parts)


def _by_share(flights: Sequence[JudgedFlight], judge: Share90) -> Verdict:
    """Each kind by itself. Passing takes all of them; any may fail it, so they share the error a fail may have."""
    kinds = by_kind(flights)
    sure = 1 - (1 - judge.confidence) / len(kinds)
    verdicts = {kind: _of_kind(those, judge, sure) for kind, those in kinds.items()}
    if len(verdicts) == 1:
        return next(iter(verdicts.values()))
    named = [f"{kind_in_words(kind, kinds)}: {verdict.statement}" for kind, verdict in verdicts.items()]
    decides = [
        f"{kind_in_words(kind, kinds)}: {v.would_decide}" for kind, v in verdicts.items() if v.would_decide
    ]
    word = worst(verdict.word for verdict in verdicts.values())
    return Verdict(word, "; ".join(named), judge.confidence, "; ".join(decides))


def _of_kind(flights: Sequence[JudgedFlight], judge: Share90, sure: float) -> Verdict:
    """The verdict on flights of one kind, which fails with confidence `sure`.

    Undecided flights count against whatever is to be shown.
    """
    words = _without_copies(flights)
    errors = words.count("error")
    flown = len(words) - errors
    passed, undecided = words.count("pass"), words.count("inconclusive")
    counted = f"{_of_all(passed, flown)} passed"
    asked = f"{judge.share:.4g} of all flights, with confidence {judge.confidence:.4g}"
    if not flown:
        return Verdict("error", f"{_of_all(errors, len(words))} could not be carried out; {counted}")
    at_least = share_at_least(passed, flown, judge.confidence)
    at_most = share_at_most(passed + undecided, flown, sure)
    if at_most < judge.share:
        return Verdict(
            "fail", f"{counted}: at most {at_most:.3f} would, asked for is {asked}", judge.confidence
        )
    if errors:
        return Verdict("error", f"{_of_all(errors, len(words))} could not be carried out; {counted}")
    if at_least >= judge.share:
        return Verdict(
            "pass", f"{counted}: at least {at_least:.3f} would, asked for is {asked}", judge.confidence
        )
    return _undecided((passed, undecided, flown), (at_least, at_most), judge, sure)


def _undecided(
    counts: tuple[int, int, int], bounds: tuple[float, float], judge: Share90, sure: float
) -> Verdict:
    """Why flights (passed, undecided, flown) do not decide, as one would say it, and what would."""
    passed, undecided, flown = counts
    doubt = f", and {undecided} decided nothing" if undecided else ""
    statement = (
        f"{_of_all(passed, flown)} passed{doubt}: too few to tell whether {judge.share:.4g} of all flights would, "
        f"which may be anything from {bounds[0]:.3f} to {bounds[1]:.3f} (confidence {judge.confidence:.4g})"
    )
    decides = _what_would_decide(counts, judge, sure)
    return Verdict("inconclusive", f"{statement}. {decides}", judge.confidence, decides)


def _without_copies(flights: Sequence[JudgedFlight]) -> list[VerdictWord]:
    """One verdict for each flight that is a sample of its own: of copies, the worst."""
    alone = [flight.verdict for flight in flights if flight.original is None]
    seeds = sorted({flight.seed for flight in flights if flight.original is not None})
    return alone + [
        worst(flight.verdict for flight in flights if flight.original is not None and flight.seed == seed)
        for seed in seeds
    ]


def _what_would_decide(counts: tuple[int, int, int], judge: Share90, sure: float) -> str:
    """`If the next 12 flights all pass, that shows it; if the next 3 all fail, that shows the contrary`."""
    passed, undecided, flown = counts
    if_passed, _ = further_flights(passed, flown, judge.share, judge.confidence)
    _, if_failed = further_flights(passed + undecided, flown, judge.share, sure)
    ways = [
        f"if {_next(number, did)}, that shows {what}"
        for number, did, what in ((if_passed, "pass", "it"), (if_failed, "fail", "the contrary"))
        if number is not None
    ]
    if not ways:
        return "No number of flights that anybody would fly decides this"
    return "; ".join(ways).capitalize()


def _next(number: int, did: str) -> str:
    return (
        f"the next flight {did}{'es' if did == 'pass' else 's'}"
        if number == 1
        else f"the next {number} flights all {did}"
    )

"""Verdicts over several flights: ranks, copies, clocks, and statements a person understands."""

from __future__ import annotations

import itertools
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.errors import ExitCode
from asflown.grade.result import VerdictWord
from asflown.grade.verdict import JudgedFlight, exit_code_of, judge_flights
from asflown.scenario.model import Share90

Clock = Literal["lockstep", "paced"]
PASS: list[VerdictWord] = ["pass"]
UNDECIDED: list[VerdictWord] = ["inconclusive"]
NINETY = Share90(share=0.9, confidence=0.9)


def flights(*words: VerdictWord, clock: Clock = "lockstep", first_seed: int = 1) -> list[JudgedFlight]:
    """Flights with these verdicts and seeds that count up."""
    return [JudgedFlight(word, seed, clock) for seed, word in enumerate(words, first_seed)]


EXIT_CODES = {
    "nothing": ([], ExitCode.PASSED),
    "all passed": (["pass", "pass"], ExitCode.PASSED),
    "one inconclusive": (["pass", "inconclusive"], ExitCode.INCONCLUSIVE),
    "error over inconclusive": (["inconclusive", "error", "pass"], ExitCode.NOT_FLOWN),
    "fail over everything": (["error", "inconclusive", "fail", "pass"], ExitCode.FAILED),
}


@pytest.mark.parametrize(("words", "code"), EXIT_CODES.values(), ids=EXIT_CODES.keys())
def test_exit_code_ranks(words: list[VerdictWord], code: ExitCode) -> None:
    """1 outranks 3, which outranks 4, which outranks 0, in any order."""
    for order in itertools.permutations(words):
        assert exit_code_of(order) == code


EVERY = {
    "all": (flights("pass", "pass", "pass"), "pass", "3 of 3 flights passed"),
    "one failed": (flights("pass", "fail", "pass"), "fail", "1 of 3 flights failed (seed 2)"),
    "failed and not flown": (flights("error", "fail", "fail"), "fail", "2 of 3 flights failed (seeds 2, 3)"),
    "not flown": (flights("pass", "error"), "error", "1 of 2 flights could not be carried out (seed 2)"),
    "undecided": (flights("inconclusive"), "inconclusive", "1 of 1 flight did not decide (seed 1)"),
    "none": ([], "error", "no flight was carried out"),
}


@pytest.mark.parametrize(("flown", "word", "statement"), EVERY.values(), ids=EVERY.keys())
def test_every_flight(flown: list[JudgedFlight], word: str, statement: str) -> None:
    """`every-flight` passes when all pass, and says otherwise how many did what."""
    verdict = judge_flights(flown, "every-flight")
    assert (verdict.word, verdict.statement) == (word, statement)


SHARES = {
    "22 passes show 90 %": (flights(*PASS * 22), "pass", "22 of 22 flights passed: at least 0.901 would"),
    "21 passes do not": (
        flights(*PASS * 21),
        "inconclusive",
        (
            "21 of 21 flights passed: too few to tell whether 0.9 of all flights would, which may be anything from "
            "0.896 to 1.000 (confidence 0.9). If the next flight passes, that shows it; if the next 6 flights all "
            "fail, that shows the contrary"
        ),
    ),
    "two failures in three": (
        flights("fail", "fail", "pass"),
        "fail",
        "1 of 3 flights passed: at most 0.804 would",
    ),
    "an undecided flight is no pass": (
        flights(*PASS * 21, "inconclusive"),
        "inconclusive",
        "21 of 22 flights passed, and 1 decided nothing: too few to tell",
    ),
    "an error cannot pass": (
        flights(*PASS * 30, "error"),
        "error",
        "1 of 31 flights could not be carried out; 30 of 30 flights passed",
    ),
}


@pytest.mark.parametrize(("flown", "word", "statement"), SHARES.values(), ids=SHARES.keys())
def test_share(flown: list[JudgedFlight], word: str, statement: str) -> None:
    """A share with confidence: shown, refuted, or how many more flights would decide."""
    verdict = judge_flights(flown, NINETY)
    assert verdict.word == word
    assert verdict.statement.startswith(statement)


def test_copies_are_no_samples() -> None:
    """Thirty flights of one seed in lockstep are one flight; paced, they are thirty."""
    copies = [JudgedFlight("pass", 7, "lockstep") for _ in range(30)]
    paced = [JudgedFlight("pass", 7, "paced") for _ in range(30)]
    assert judge_flights(copies, NINETY).word == "inconclusive"
    assert judge_flights(copies, NINETY).statement.startswith("1 of 1 flight passed")
    assert judge_flights(paced, NINETY).word == "pass"


def test_copies_are_told_where_every_flight_is_judged() -> None:
    """Three flights of one seed in lockstep passed: two of them are copies, and the statement says so."""
    copies = [JudgedFlight("pass", 7, "lockstep") for _ in range(3)]
    says = judge_flights(copies, "every-flight").statement
    assert says == "3 of 3 flights passed; 2 repeat a seed in lockstep, as a copy does"
    assert "copy" not in judge_flights(flights(*PASS * 3), "every-flight").statement


def test_clocks_are_never_mixed() -> None:
    """Twenty flights on each clock do not make forty: each clock is judged by itself."""
    mixed = flights(*PASS * 20) + flights(*PASS * 20, clock="paced")
    verdict = judge_flights(mixed, NINETY)
    assert verdict.word == "inconclusive"
    assert verdict.statement.startswith("lockstep: 20 of 20 flights passed")
    assert "; paced: 20 of 20 flights passed" in verdict.statement


def test_undecided_flights_are_no_failures() -> None:
    """Where no flight decided anything, the contrary takes flights that do fail."""
    says = judge_flights(flights(*UNDECIDED * 24), NINETY).statement
    assert says.startswith("0 of 24 flights passed, and 24 decided nothing: too few to tell")
    assert says.endswith("if the next 6 flights all fail, that shows the contrary")


def test_releases_are_never_mixed() -> None:
    """Flights of two releases with equal seeds are no copies of each other, and no one sample either."""
    old, new = (
        [JudgedFlight("pass", seed, "lockstep", release) for seed in range(20)] for release in ("r1", "r2")
    )
    verdict = judge_flights(old + new, NINETY)
    assert verdict.word == "inconclusive"
    assert verdict.statement.startswith("r1: 20 of 20 flights passed")
    assert "; r2: 20 of 20 flights passed" in verdict.statement


def test_confidence_and_what_would_decide_stand_by_themselves() -> None:
    """For programs: the confidence of a verdict by share, none of one on every flight, and what would decide."""
    undecided = judge_flights(flights(*PASS * 21), NINETY)
    assert undecided.confidence == 0.9
    assert undecided.would_decide.startswith("If the next flight passes, that shows it")
    assert judge_flights(flights(*PASS * 22), NINETY).would_decide == ""
    assert judge_flights(flights(*PASS), "every-flight").confidence is None


WORDS: st.SearchStrategy[VerdictWord] = st.sampled_from(["pass", "fail", "error", "inconclusive"])


@given(data=st.data(), words=st.lists(WORDS, max_size=12))
def test_order_of_flights_does_not_matter(data: st.DataObject, words: list[VerdictWord]) -> None:
    """The same flights in another order give the same verdict and statement."""
    flown = flights(*words)
    shuffled = data.draw(st.permutations(flown))
    assert judge_flights(flown, "every-flight") == judge_flights(shuffled, "every-flight")
    assert judge_flights(flown, NINETY) == judge_flights(shuffled, NINETY)

"""Bisection and delta debugging: what they find, how often they are wrong, what they ask, and how they go on."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.change.bisect import first_bad, questions
from asflown.change.bisect_drive import FlownAsk, Results, drive
from asflown.change.bisect_questions import Ask, Rates
from asflown.change.delta import changes_of, name_of, responsible
from asflown.errors import FolderProblem, UsageError, VehicleProblem
from tests.unit.change.searching import noisy, run

BUILDS = [f"b{number}" for number in range(8)]
RATES = Rates(good=0.05, bad=0.6)


@given(candidates=st.integers(2, 40), data=st.data())
@settings(max_examples=30, deadline=None)
def test_without_noise_the_first_bad_one_is_found(candidates: int, data: st.DataObject) -> None:
    """Wherever it lies, it is found, with no more questions than stated, and the confidence is kept."""
    first = data.draw(st.integers(1, candidates - 1))
    names = [str(number) for number in range(candidates)]
    answer, asked = run(first_bad(names, RATES), lambda ask: int(ask.candidate) >= first)
    assert (answer.last_good, answer.first_bad) == (str(first - 1), str(first))
    assert len(answer.steps) <= questions(candidates)
    assert answer.flights == len(asked)
    assert answer.confidence >= 1 - RATES.error


def test_noisy_flights_mislead_no_more_often_than_stated() -> None:
    """At just the stated rates, 5 % of answers may be wrong: of 200, 17 or fewer in all but one case in a thousand."""
    wrong = 0
    for seed in range(200):
        first = 1 + seed % 7
        search = first_bad(BUILDS, RATES)
        answer, _ = run(search, noisy(BUILDS[first:].__contains__, 0.05, 0.6, seed))
        wrong += answer.first_bad != f"b{first}"
    assert wrong <= 17


def test_a_last_candidate_that_is_good_ends_the_search_at_once() -> None:
    """Nothing was broken: no halving is flown."""
    answer, asked = run(first_bad(BUILDS, RATES), lambda ask: False)
    assert (answer.found, answer.last_good, answer.first_bad) == (False, "b7", None)
    assert {ask.candidate for ask in asked} == {"b7"}


def test_a_first_candidate_that_is_bad_ends_the_search() -> None:
    """It was broken before."""
    answer, _ = run(first_bad(BUILDS, RATES), lambda ask: True)
    assert (answer.found, answer.last_good, answer.first_bad) == (False, None, "b0")


def test_seeds_of_a_question_count_up() -> None:
    """No flight is flown twice for one question."""
    _, asked = run(first_bad(BUILDS, RATES, first_seed=5), lambda ask: int(ask.candidate[1:]) >= 3)
    for _, flights in itertools.groupby(asked, key=lambda ask: ask.candidate):
        seeds = [ask.seed for ask in flights]
        assert seeds == list(range(5, 5 + len(seeds)))


@pytest.mark.parametrize("candidates", [["a"], ["a", "a"], []], ids=["one", "twice", "none"])
def test_too_few_candidates_are_refused(candidates: list[str]) -> None:
    """There is nothing to halve."""
    with pytest.raises(UsageError, match="cannot be bisected"):
        run(first_bad(candidates, RATES), lambda ask: True)


def test_rates_out_of_order_are_refused() -> None:
    """A bad candidate must fail more often than a good one."""
    with pytest.raises(UsageError, match="not in order"):
        Rates(good=0.6, bad=0.1)


@given(guilty=st.sets(st.integers(0, 39), min_size=1, max_size=3))
@settings(max_examples=30, deadline=None)
def test_the_changes_responsible_are_found(guilty: set[int]) -> None:
    """One change, or several that are bad only together, among forty; nothing else is in the answer."""
    changes = [f"p{number}" for number in range(40)]
    wanted = {f"p{number}" for number in guilty}
    answer, _ = run(responsible(changes, RATES), lambda ask: wanted <= set(changes_of(ask.candidate)))
    assert set(answer.changes) == wanted
    assert answer.confidence >= 1 - RATES.error


def test_two_ways_to_be_bad_give_one_of_them() -> None:
    """Where either of two changes is enough, one is named: without it all is good in what was kept."""
    changes = [f"p{number}" for number in range(12)]
    answer, _ = run(
        responsible(changes, RATES), lambda ask: bool({"p3", "p9"} & set(changes_of(ask.candidate)))
    )
    assert answer.changes in {("p3",), ("p9",)}


@pytest.mark.parametrize(("bad", "says"), [(True, "without any"), (False, "together are good")])
def test_a_search_that_cannot_begin_says_why(bad: bool, says: str) -> None:
    """Bad without a change, or good with all: the changes explain nothing."""
    answer, _ = run(responsible(["p1", "p2"], RATES), lambda ask: bad)
    assert says in answer.problem
    assert answer.changes == ()


def test_a_candidates_name_gives_its_changes_back() -> None:
    """Also where it has none."""
    assert changes_of(name_of(("a", "b"))) == ("a", "b")
    assert changes_of(name_of(())) == ()


def _results(file: Path, what: str = "builds") -> Results:
    return Results(file, {"what": what})


@pytest.mark.parametrize("after", range(0, 15, 3))
def test_an_interrupted_search_goes_on_where_it_was(tmp_path: Path, after: int) -> None:
    """Whatever flight it is broken off at, no flight is flown twice, and the answer is the same."""
    flown: list[tuple[str, int]] = []

    def fly(ask: Ask) -> tuple[bool, str]:
        if len(flown) == after:
            flown.append(("broken off", 0))
            raise VehicleProblem("the battery is empty")
        flown.append((ask.candidate, ask.seed))
        return int(ask.candidate[1:]) >= 5, "folder"

    file = tmp_path / "state.json"
    with pytest.raises(VehicleProblem):
        drive(first_bad(BUILDS, RATES), _results(file), fly, lambda *_: None)
    answer = drive(first_bad(BUILDS, RATES), _results(file), fly, lambda *_: None)
    assert answer.first_bad == "b5"
    assert len(set(flown)) == len(flown) == answer.flights + 1


def test_results_of_another_search_are_refused(tmp_path: Path) -> None:
    """They are not mixed; the message says what differs."""
    file = tmp_path / "state.json"
    _results(file).enter(FlownAsk("b1", 1, bad=True, folder=""))
    with pytest.raises(UsageError, match=r"another search \(what\)"):
        _results(file, "others")


def test_a_file_that_holds_no_results_is_refused(tmp_path: Path) -> None:
    """It is not overwritten."""
    file = tmp_path / "state.json"
    file.write_text("{}")
    with pytest.raises(FolderProblem, match="holds no results"):
        _results(file)

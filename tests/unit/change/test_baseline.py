"""Baselines: what their text is like, what they hold flights to, and what they refuse."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.change.baseline_diff import diff_baselines, text_diff
from asflown.change.baseline_judge import _pooled, is_wider, judge_against, loosened_since
from asflown.change.baseline_make import make_baseline
from asflown.change.baseline_model import (
    Baseline,
    baseline_text,
    places_for,
    read_baseline,
    release_line,
)
from asflown.change.baseline_places import file_for, proposal_for, protector
from asflown.change.history_prune import stored_flights
from asflown.change.history_store import History
from asflown.change.sets import FlightSet, flights_in, make_set
from asflown.errors import FileProblem, UsageError
from asflown.scenario.file import load_scenario
from asflown.scenario.model import Limit
from tests.unit.change.stored import store_flight

SCENARIO = """\
asflown: 1
name: hop
vehicle: palm80
script: {run: [python, hop.py, "{link}"]}
expect:
  path: {legs: [{climb: {to: 3 m}}, {line: {to: [8 m, 0 m, 3 m]}}, {land: {}}]}
  measures: {cross_track_p95: {at_most: 1 m}, duration: {between: [30 s, 90 s]}}
  rules: [{name: ceiling, always: "height < 4 m"}]
"""


def scenario_file(folder: Path, text: str = SCENARIO) -> Path:
    """The scenario that the flights are of."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "hop.py").write_text("")
    file = folder / "hop.scenario.yaml"
    file.write_text(text)
    return file


def flights(tmp_path: Path, name: str, misses: list[float], **more: object) -> FlightSet:
    """Flights with seeds from 0 that missed by so much."""
    store = tmp_path / name
    for number, miss in enumerate(misses):
        values = {"cross_track_p95": miss, "duration": 60.0}
        store_flight(store, number, values=values, scenario_file=tmp_path / "hop.scenario.yaml", **more)  # type: ignore[arg-type]
    return make_set(name, flights_in(store))


def moved(misses: list[float], by: float) -> list[float]:
    """Flights that miss by so much more, give or take a centimetre."""
    return [miss + by + 0.01 * (number % 3 - 1) for number, miss in enumerate(misses)]


MISSES = [0.30, 0.34, 0.27, 0.31, 0.29, 0.33]


@pytest.fixture
def approved(tmp_path: Path) -> Baseline:
    """The baseline of six flights."""
    scenario_file(tmp_path)
    return make_baseline(flights(tmp_path, "approved", MISSES))


def test_a_file_gives_back_what_was_written(approved: Baseline, tmp_path: Path) -> None:
    """Reading the text is the inverse of writing it."""
    file = tmp_path / "hop.baseline.yaml"
    file.write_text(baseline_text(approved))
    assert read_baseline(file) == approved


def test_equal_flights_give_equal_text(approved: Baseline, tmp_path: Path) -> None:
    """At another time, in another folder: nothing in the text churns."""
    again = make_baseline(flights(tmp_path, "again", MISSES, day=5))
    assert baseline_text(again) == baseline_text(approved)


def test_the_text_has_one_value_a_line(approved: Baseline) -> None:
    """So that a change of one value is a change of one line."""
    text = baseline_text(approved)
    assert "    mean: 0.307\n    deviation: 0.026\n    flights:\n      seed 0: 0.300\n" in text
    assert "2026" not in text


def test_numbers_are_rounded_to_what_their_tolerance_makes_sensible() -> None:
    """One part in two hundred of the tolerance, in whole decimals."""
    assert [places_for(Limit(at_most=size)) for size in (0.05, 0.8, 1.0, 30.0, 500.0)] == [4, 3, 3, 1, 0]


@pytest.mark.parametrize(("release", "line"), [("r1", "r1"), ("r3.4", "r3"), ("1.14.2", "1.14"), ("", "")])
def test_a_release_belongs_to_a_line(release: str, line: str) -> None:
    """All but the last part of its number."""
    assert release_line(release) == line


def test_unchanged_flights_are_the_same(approved: Baseline, tmp_path: Path) -> None:
    """Equal seeds in lockstep, equal values: the same, and no test is needed."""
    found = judge_against(approved, flights(tmp_path, "now", MISSES[:3]))
    assert (found.conclusion, found.paired) == ("same", True)


def test_a_change_beyond_the_band_is_named(approved: Baseline, tmp_path: Path) -> None:
    """By how much, and that the other measure stayed."""
    found = judge_against(approved, flights(tmp_path, "now", moved(MISSES, 0.3)))
    assert found.conclusion == "different"
    assert found.statement == "changed: cross_track_p95 0.31 m to 0.61 m (+0.30 m)"
    assert [one.word for one in found.measures] == ["changed", "same"]


def test_a_change_within_the_band_is_none(approved: Baseline, tmp_path: Path) -> None:
    """A tenth of what is allowed does not matter, however sure it is."""
    found = judge_against(approved, flights(tmp_path, "now", moved(MISSES, 0.03)))
    assert found.conclusion == "same"
    assert found.measures[0].word == "changed within the band"


def test_other_seeds_are_independent_samples(approved: Baseline, tmp_path: Path) -> None:
    """They are not paired, and what few flights do not show is not claimed."""
    store = tmp_path / "others"
    for number in range(3):
        values = {"cross_track_p95": MISSES[number], "duration": 60.0}
        store_flight(
            store, number, seed=90 + number, values=values, scenario_file=tmp_path / "hop.scenario.yaml"
        )
    found = judge_against(approved, make_set("others", flights_in(store)))
    assert (found.conclusion, found.paired) == ("same", False)


def test_a_large_change_that_varies_is_found_with_three_flights(approved: Baseline, tmp_path: Path) -> None:
    """Three pairs say little of differences that vary; all flights of the baseline say enough."""
    found = judge_against(approved, flights(tmp_path, "now", [2.0, 7.0, 4.0]))
    assert found.paired
    assert found.measures[0].word == "changed"


def test_a_single_flight_of_another_seed_is_judged_by_the_baselines_spread(
    approved: Baseline, tmp_path: Path
) -> None:
    """Far outside of what the baseline's flights were is a change; the flight need not spread itself."""
    store = tmp_path / "one"
    values = {"cross_track_p95": 0.9, "duration": 60.0}
    store_flight(store, 1, seed=90, values=values, scenario_file=tmp_path / "hop.scenario.yaml")
    found = judge_against(approved, make_set("one", flights_in(store)))
    assert [one.word for one in found.measures] == ["changed", "same"]


@pytest.mark.parametrize(("number", "most"), [(1, 14), (3, 14)])
def test_unchanged_flights_seldom_seem_changed(number: int, most: int) -> None:
    """At a level of 5 %, of 150 differences of unchanged flights 14 or fewer, in all but one case in a hundred."""
    generator = np.random.default_rng(number)
    seen = 0
    for _ in range(150):
        difference = _pooled(generator.normal(size=10).tolist(), generator.normal(size=number).tolist())
        assert difference is not None
        seen += difference.p_changed() <= 0.05
    assert seen <= most


WIDENED = {
    "a wider limit": ("at_most: 1 m", "at_most: 1.5 m", "`cross_track_p95` allows at most 1.5 m, it was at most 1 m"),
    "a wider range": ("[30 s, 90 s]", "[30 s, 99 s]", "`duration` allows 30 to 99 s, it was 30 to 90 s"),
    "another kind": ("{between: [30 s, 90 s]}", "{at_most: 90 s}", "`duration` allows at most 90 s, it was 30 to 90 s"),
    "a measure gone": ("cross_track_p95: {at_most: 1 m}, ", "", "`cross_track_p95` is not checked any more"),
    "a rule gone": (
        'rules: [{name: ceiling, always: "height < 4 m"}]',
        "rules: []",
        "rule `ceiling` is not checked any more",
    ),
    "another rule": (
        "height < 4 m",
        "height < 9 m",
        "rule `ceiling` demands something else: always (height < 9 m), it was always (height < 4 m)",
    ),
    "not every flight": (
        "expect:",
        "judge: {share: 0.9, confidence: 0.9}\nexpect:",
        "not every flight must pass any more: judge is share 0.9 at 0.9",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("before", "after", "says"), WIDENED.values(), ids=WIDENED.keys())
def test_a_widened_tolerance_is_named(
    approved: Baseline, tmp_path: Path, before: str, after: str, says: str
) -> None:
    """What a scenario demands less of than at approval makes the flights differ, though nothing flew otherwise."""
    assert before in SCENARIO
    scenario = load_scenario(scenario_file(tmp_path, SCENARIO.replace(before, after))).scenario
    assert list(loosened_since(approved, scenario)) == [says]
    assert judge_against(approved, flights(tmp_path, "now", MISSES)).conclusion == "different"


def test_a_stricter_tolerance_is_welcome(approved: Baseline, tmp_path: Path) -> None:
    """It is no loosening."""
    text = SCENARIO.replace("at_most: 1 m", "at_most: 0.5 m").replace("[30 s, 90 s]", "[40 s, 80 s]")
    assert list(loosened_since(approved, load_scenario(scenario_file(tmp_path, text)).scenario)) == []


@given(a=st.floats(0.1, 10), b=st.floats(0.1, 10), value=st.floats(0, 20))
def test_wider_means_that_something_new_is_allowed(a: float, b: float, value: float) -> None:
    """A limit that is not wider allows nothing that the other one does not."""
    before, now = Limit(at_most=a), Limit(at_most=b)
    if not is_wider(before, now):
        assert value > b or value <= a


def test_flights_of_something_else_are_refused(approved: Baseline, tmp_path: Path) -> None:
    """A baseline holds for one scenario, vehicle and clock."""
    others = flights(tmp_path, "paced", MISSES, clock="paced")
    with pytest.raises(UsageError, match="does not belong to flights of hop/palm80@r1, paced"):
        judge_against(approved, others)


def test_flights_that_failed_make_no_baseline(tmp_path: Path) -> None:
    """A baseline holds what is right."""
    scenario_file(tmp_path)
    with pytest.raises(UsageError, match="2 of 2 flights did not pass"):
        make_baseline(flights(tmp_path, "failed", MISSES[:2], verdict="fail"))


def test_flights_of_two_scripts_make_no_baseline(tmp_path: Path) -> None:
    """They were flown by different things."""
    file = scenario_file(tmp_path)
    store = tmp_path / "mixed"
    for number, script in enumerate(("old", "new")):
        store_flight(store, number, script=script, values={"duration": 60.0}, scenario_file=file)
    with pytest.raises(UsageError, match="different scripts"):
        make_baseline(make_set("mixed", flights_in(store)))


def test_a_diff_tells_of_wider_tolerances_first(approved: Baseline, tmp_path: Path) -> None:
    """By the name with which they are accepted, and of measures how far they moved in deviations."""
    scenario_file(tmp_path, SCENARIO.replace("at_most: 1 m", "at_most: 2 m"))
    after = make_baseline(flights(tmp_path, "after", [miss + 0.05 for miss in MISSES]))
    found = diff_baselines(approved, after)
    assert found.wider == ("cross_track_p95",)
    assert found.measures[0].deviations == pytest.approx(0.053 / 0.026, abs=0.1)
    assert not found.is_empty


def test_the_text_diff_shows_the_lines_that_changed(approved: Baseline, tmp_path: Path) -> None:
    """As a pull request does: one flight that changed is two lines and their mean and deviation."""
    after = make_baseline(flights(tmp_path, "after", [0.36, *MISSES[1:]]))
    lines = text_diff(approved, after, "hop").splitlines()
    assert [line for line in lines if line.startswith(("-  ", "+  "))] == [
        "-    mean: 0.307", "-    deviation: 0.026", "+    mean: 0.317", "+    deviation: 0.033",
        "-      seed 0: 0.300", "+      seed 0: 0.360",
    ]  # fmt: skip


def test_a_broken_file_is_a_problem_with_a_place(tmp_path: Path) -> None:
    """File, line and column."""
    file = tmp_path / "hop.baseline.yaml"
    file.write_text("asflown: 1\nscenario: hop\nvehicle: [palm80]\n")
    with pytest.raises(FileProblem, match=r"hop.baseline.yaml:3:10"):
        read_baseline(file)


def test_a_baseline_protects_the_flights_it_was_made_from(approved: Baseline, tmp_path: Path) -> None:
    """Those of its seeds and inputs, and no others; a proposal does so, too."""
    file = proposal_for(file_for(tmp_path, "hop", "palm80", "r1"))
    file.parent.mkdir()
    file.write_text(baseline_text(approved))
    store = tmp_path / "approved"
    store_flight(store, 50, scenario_file=tmp_path / "hop.scenario.yaml")
    store_flight(store, 51, seed=1, script="another", scenario_file=tmp_path / "hop.scenario.yaml")
    with History(store) as history:
        history.catch_up()
        is_protected = protector([tmp_path / "hop.scenario.yaml"], [])
        kept = {one.seed for one in stored_flights(history) if is_protected(one)}
        assert kept == set(range(len(MISSES)))
        assert sum(map(is_protected, stored_flights(history))) == len(MISSES)


def test_what_a_broken_baseline_refers_to_is_not_guessed(tmp_path: Path) -> None:
    """Nothing may go while a baseline cannot be read."""
    file = file_for(tmp_path, "hop", "palm80", "r1")
    file.parent.mkdir()
    file.write_text("asflown: 1\n")
    with pytest.raises(UsageError):
        protector([tmp_path / "hop.scenario.yaml"], [])

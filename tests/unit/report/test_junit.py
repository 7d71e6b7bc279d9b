"""The JUnit report: which cases there are, and how they are named. Its validity is tests/outside's affair."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

from asflown.grade.tolerances import MeasureTolerance
from asflown.report.flown import ScenarioOutcome
from asflown.report.junit import junit_text, write_junit
from tests.unit.report.builders import FAILED, KEPT, PASSED, UNDECIDED, flown, grade, outcome

Case = tuple[str, str]


def cases(one: ScenarioOutcome) -> list[Case]:
    """Name and result of each case; the type of a failure or error is its result."""
    found: list[Case] = []
    for case in ET.fromstring(junit_text([one])).iter("testcase"):
        results = [child.get("type", child.tag) for child in case if child.tag != "system-out"]
        found.append((case.get("name", ""), ", ".join(results) or "passed"))
    return found


def test_one_case_for_the_flight_and_each_check_measure_and_rule() -> None:
    """A flight that passed has a passed case for each fact."""
    names = ["flown", "script exit code", "cross_track_p95", "ceiling"]
    assert cases(outcome(flown())) == [(name, "passed") for name in names]


def test_a_violated_measure_is_a_failure() -> None:
    """A failure's type is the kind of fact that failed."""
    assert cases(outcome(flown(FAILED), verdict="fail"))[2] == ("cross_track_p95", "measure")


def test_an_undecided_measure_is_a_failure_of_its_own_type() -> None:
    """What is inconclusive does not go green."""
    graded = grade(UNDECIDED, verdict="inconclusive")
    assert cases(outcome(flown(graded), verdict="inconclusive"))[2] == ("landing_offset", "inconclusive")


def test_a_flight_that_could_not_be_carried_out_is_an_error() -> None:
    """No grade, no measures: one case with an error."""
    one = outcome(flown(None, outcome="error", problem="the port is taken"), verdict="error")
    assert cases(one) == [("flown", "error")]


def test_several_flights_are_told_apart_by_number() -> None:
    """Seeds may change from run to run; a CI server follows a case by its name."""
    names = [name for name, _ in cases(outcome(flown(seed=7), flown(seed=8)))]
    assert names[0] == "flown, flight 1"
    assert names[-1] == "ceiling, flight 2"


def test_flights_without_a_result_are_errors() -> None:
    """A report left by a killed run is not green."""
    one = outcome(flown(), verdict="error", not_flown=(8,))
    assert cases(one)[-1] == ("flight with seed 8", "error")


def test_a_verdict_by_share_has_a_case_and_excuses_single_failures() -> None:
    """Where a share of flights decides, a failing flight of a passing scenario is shown and not counted."""
    one = outcome(flown(), flown(FAILED, seed=8), judged_by_share=True)
    assert ("cross_track_p95, flight 2", "skipped") in cases(one)
    assert cases(one)[-1] == ("verdict", "passed")


def test_a_verdict_that_no_case_shows_gets_one() -> None:
    """The report is never greener than the exit code."""
    one = outcome(flown(), verdict="inconclusive", statement="two flights of one seed differ")
    assert cases(one)[-1] == ("verdict", "inconclusive")


def test_a_suite_carries_what_a_flight_ran_with() -> None:
    """Seed, clock, digest, fingerprint, pace and folder are properties of the suite."""
    root = ET.fromstring(junit_text([outcome(flown(folder=Path("flights/f1")))]))
    found = {one.get("name"): one.get("value") for one in root.iter("property")}
    assert found == {
        "verdict": "pass",
        "seed": "7",
        "clock": "lockstep",
        "deterministic": "yes",
        "digest": "3f9a" * 16,
        "fingerprint": "c0ffee",
        "pace": "64.6",
        "flight time": "52.4 s",
        "folder": "flights/f1",
    }


def test_the_properties_of_several_flights_are_numbered() -> None:
    """Each flight keeps its own seed and digest."""
    root = ET.fromstring(junit_text([outcome(flown(seed=7), flown(seed=8))]))
    found = {one.get("name"): one.get("value") for one in root.iter("property")}
    assert (found["flight 1 seed"], found["flight 2 seed"]) == ("7", "8")


def test_attempts_before_are_properties() -> None:
    """What ended in an error and was flown again stands in the suite, with its reason."""
    one = replace(outcome(flown()), flown_again=("seed 7: no heartbeat (kept/first)",))
    found = {
        prop.get("name"): prop.get("value") for prop in ET.fromstring(junit_text([one])).iter("property")
    }
    assert found["flown again after error 1"] == "seed 7: no heartbeat (kept/first)"


def test_the_report_can_be_replaced_as_results_come_in(tmp_path: Path) -> None:
    """Each writing leaves a whole report."""
    path = tmp_path / "report.xml"
    for flights in ((), (flown(),), (flown(), flown(seed=8))):
        write_junit(path, [outcome(*flights)])
        assert ET.parse(path).getroot().get("tests") == str(4 * len(flights))


def test_junit_packages_own_attribute_is_gone() -> None:
    """The attribute that published schemas refuse does not appear."""
    assert "disabled" not in junit_text([outcome(flown(grade(KEPT)))])


def test_a_measure_states_its_tolerance_limit_where_one_is_known() -> None:
    """Beside its value: in the output of a case that passed, in the text of one that failed; in no other case."""
    limit = MeasureTolerance(
        "cross_track_p95", "m", "estimate", "", None, "0.9 of all flights stay below 0.71 m"
    )
    for graded, where in ((PASSED, "system-out"), (FAILED, "failure")):
        text = junit_text([outcome(flown(graded), verdict=graded.verdict, tolerances=(limit,))])
        said = {case.get("name"): case.findtext(where) or "" for case in ET.fromstring(text).iter("testcase")}
        assert "tolerance limit: 0.9 of all flights stay below 0.71 m" in said["cross_track_p95"].splitlines()
        assert sum("tolerance limit" in says for says in said.values()) == 1

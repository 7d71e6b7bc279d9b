"""The facts of one flight, as every report states them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from asflown.grade.result import Check, Grade, VerdictWord
from asflown.report.findings import findings
from tests.unit.report.builders import CEILING, EXIT_CODE, KEPT, LEG_4, UNDECIDED, VIOLATED, flown, grade


def verdicts(graded: Grade | None) -> list[tuple[str, str, VerdictWord]]:
    """Kind, name and verdict of each finding."""
    return [(found.kind, found.name, found.verdict) for found in findings(flown(graded))]


def test_a_flight_that_passed_has_one_finding_for_each_fact() -> None:
    """The flight, its checks, its measures and its rules, in this order."""
    assert verdicts(grade(KEPT)) == [
        ("flight", "flown", "pass"),
        ("check", "script exit code", "pass"),
        ("measure", "cross_track_p95", "pass"),
        ("rule", "ceiling", "pass"),
    ]


def test_a_violated_measure_says_which_leg_how_much_where_and_when() -> None:
    """The finding of a failure holds everything that a person asks first."""
    found = findings(flown(grade(VIOLATED, verdict="fail")))[2]
    assert found.sentences() == [
        f"{LEG_4} is 1.4 m too far right, from 22.1 s (cross_track_p95 is 2.20 m, allowed at most 0.8 m)",
        f"where: {LEG_4}",
        "when: 22.1 s of flight time",
    ]


def test_a_measure_without_a_value_is_inconclusive() -> None:
    """What could not be measured does not decide, and says why."""
    found = findings(flown(grade(UNDECIDED, verdict="inconclusive")))[2]
    assert found.verdict == "inconclusive"
    assert found.headline == "landing_offset, at most 1 m: not measurable: the flight ended in the air"


def test_a_verdict_that_nothing_explains_is_stated_by_the_flight() -> None:
    """A verdict never gets lost, even where no measure, rule or check shows it."""
    graded = grade(KEPT, verdict="fail", reason="the guard stepped in")
    first = findings(flown(graded))[0]
    assert (first.verdict, first.headline) == ("fail", "the guard stepped in")


@pytest.mark.parametrize(
    ("outcome", "problem", "expected"),
    [
        ("error", "the script never spoke. Check its port", "the script never spoke. Check its port"),
        ("interrupted", "", "the flight ended as 'interrupted'"),
    ],
    ids=["problem", "interrupted"],
)
def test_a_flight_without_a_grade_is_an_error(outcome: str, problem: str, expected: str) -> None:
    """A flight that could not be carried out is an error with its reason, and nothing else."""
    found = findings(flown(None, outcome=outcome, problem=problem))
    assert [(one.name, one.verdict, one.headline) for one in found] == [("flown", "error", expected)]


def test_both_tracks_are_told_apart() -> None:
    """Where estimate and truth were graded, each name says which."""
    graded = grade(KEPT, replace(VIOLATED, source="truth"), verdict="fail")
    names = [found.name for found in findings(flown(graded))]
    assert names[2:] == ["cross_track_p95 (estimate)", "cross_track_p95 (truth)", "ceiling (estimate)"]


def test_a_failed_check_and_rule_are_found() -> None:
    """Checks and rules fail like measures do."""
    graded = grade(
        verdict="fail",
        checks=(EXIT_CODE, Check("time limit", passed=False, says="the script ran over 120 s")),
        rules=(replace(CEILING, robustness=-0.1, margin_in_unit=-0.45, says="height is 4.95 m"),),
    )
    failed = [found.headline for found in findings(flown(graded)) if found.verdict == "fail"]
    assert failed == [
        "the script ran over 120 s",
        "height is 4.95 m (rule 'ceiling': always (height < 4.5 m), margin -0.45 m)",
    ]

"""Flights against a baseline, in JUnit's terms: a suite for each baseline, a case for each measure and tolerance.

What changed fails. What few flights leave undecided fails nothing, and says so in the case's output.
"""

from __future__ import annotations

from collections.abc import Iterator

from junit_xml import TestCase, TestSuite

from asflown.change.baseline_judge import AgainstBaseline
from asflown.change.findings import MeasureChange
from asflown.change.measure_change import told
from asflown.report.visible import visible


def change_suite(found: AgainstBaseline) -> TestSuite:
    """The suite of one baseline that flights were held against."""
    return TestSuite(visible(f"baseline of {found.baseline}"), list(_cases(found)))


def _cases(found: AgainstBaseline) -> Iterator[TestCase]:
    group = visible(f"baseline.{found.baseline}")
    for measure in found.measures:
        yield _measure(measure, group)
    path = TestCase("path", group)
    if found.path is not None:
        moved = f"the path on {found.path.leg} is {found.path.apart_m:.2f} m off the approved one"
        path.add_failure_info(visible(moved), _given(found), "changed")
    yield path
    tolerances = TestCase("tolerances", group)
    if found.loosened:
        tolerances.add_failure_info(visible(found.loosened[0]), visible("\n".join(found.loosened)), "widened")
    yield tolerances


def _measure(measure: MeasureChange, group: str) -> TestCase:
    case = TestCase(visible(f"{measure.name} ({measure.source})"), group)
    says = visible(f"{told(measure)}: {measure.word}")
    if measure.word == "changed":
        case.add_failure_info(says, says, "changed")
    else:
        case.stdout = says
    return case


def _given(found: AgainstBaseline) -> str:
    return visible("\n".join(found.inputs) or "nothing that the flights were given changed")

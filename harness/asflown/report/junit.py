"""JUnit XML, where CI servers look: a suite for each scenario and vehicle, a case for each fact of each flight.

The report is replaced in one step whenever a result comes in, so a killed run leaves one that says what was not
flown. Counts come from the cases. The junit-xml package builds the elements; what published schemas refuse in
them is mended here, and characters that XML forbids are made visible before they reach it.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from junit_xml import TestCase, TestSuite

from asflown.report import atomic, words
from asflown.report.findings import Finding, findings
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.repeat import again
from asflown.report.rows import tolerances_by_name
from asflown.report.visible import tail, visible

if TYPE_CHECKING:
    from asflown.change.baseline_judge import AgainstBaseline

OUTPUT_FILE = "script.log"
OUTPUT_BYTES_MAX = 64 * 1024
"""How much of a script's output goes into the report: the end of it, where the reason usually stands."""


def write_junit(
    path: Path, outcomes: Iterable[ScenarioOutcome], against: Iterable[AgainstBaseline] = ()
) -> None:
    """Replaces the report at `path`; `against`: what baselines say. Raises FolderProblem when it cannot be written."""
    atomic.write_text(path, junit_text(outcomes, against))


def junit_text(outcomes: Iterable[ScenarioOutcome], against: Iterable[AgainstBaseline] = ()) -> str:
    """The whole document."""
    root = ET.Element("testsuites", name="asflown")
    root.extend(_suite(outcome) for outcome in outcomes)
    root.extend(_against(one) for one in against)
    for name in ("tests", "failures", "errors"):
        root.set(name, str(sum(int(suite.get(name, "0")) for suite in root)))
    root.set("time", _three_decimals(sum(float(suite.get("time", "0")) for suite in root)))
    ET.indent(root)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _against(found: AgainstBaseline) -> ET.Element:
    from asflown.report.junit_changes import change_suite  # noqa: PLC0415  a second, and few runs have a baseline

    element: ET.Element = change_suite(found).build_xml_doc()
    return _mended(element)


def _suite(outcome: ScenarioOutcome) -> ET.Element:
    cases: list[TestCase] = []
    for number, flown in enumerate(outcome.flights, 1):
        cases += _cases(outcome, flown, number)
    cases += [_missing(outcome, seed) for seed in outcome.not_flown]
    cases += _verdict_case(outcome, cases)
    suite = TestSuite(
        visible(f"{outcome.name} on {outcome.vehicle}"),
        cases,
        timestamp=outcome.flights[0].manifest.started_utc if outcome.flights else None,
        properties=_properties(outcome),
    )
    element: ET.Element = suite.build_xml_doc()
    return _mended(element)


def _mended(suite: ET.Element) -> ET.Element:
    """Without the attribute that schemas refuse, and with times they take: no exponent, three decimals.

    What was skipped says why in its text: one of the published schemas knows no attribute there.
    """
    for element in suite.iter():
        if element.tag == "skipped":
            element.text = ": ".join(said for said in (element.get("message"), element.text) if said)
            element.attrib.clear()
        element.attrib.pop("disabled", None)
        if "time" in element.attrib:
            element.set("time", _three_decimals(float(element.attrib["time"])))
    return suite


def _three_decimals(seconds: float) -> str:
    return f"{seconds:.3f}"


def _cases(outcome: ScenarioOutcome, flown: Flown, number: int) -> list[TestCase]:
    return [_case(outcome, flown, finding, _suffix(outcome, number)) for finding in findings(flown)]


def _suffix(outcome: ScenarioOutcome, number: int) -> str:
    """Tells several flights apart by their number, not their seed: a CI server follows a case by its name."""
    return f", flight {number}" if len(outcome.flights) + len(outcome.not_flown) > 1 else ""


def _case(outcome: ScenarioOutcome, flown: Flown, finding: Finding, suffix: str) -> TestCase:
    case = TestCase(visible(finding.name + suffix), visible(f"{outcome.name}.{outcome.vehicle}"))
    tolerance = _tolerance(outcome, flown, finding)
    if finding.kind == "flight":
        case.elapsed_sec = flown.manifest.wall_time_s
        case.stdout = tail(flown.folder / OUTPUT_FILE, OUTPUT_BYTES_MAX)
    elif finding.verdict == "pass":
        case.stdout = visible("\n".join([finding.headline, *tolerance]))
    excused = outcome.judged_by_share and outcome.verdict == "pass" and finding.verdict == "fail"
    if excused:
        case.add_skipped_info(visible(finding.headline), "failed in this flight; judged by share, it may")
    else:
        _add_result(case, finding, _failure_text(flown, finding, tolerance))
    return case


def _tolerance(outcome: ScenarioOutcome, flown: Flown, finding: Finding) -> list[str]:
    """What a share of all flights keeps of this measure, as a line; none for anything else."""
    if finding.kind != "measure" or flown.grade is None:
        return []
    known = tolerances_by_name(outcome)
    labels = {flown.label(one): known.get((one.name, one.source)) for one in flown.grade.measures}
    says = labels.get(finding.name)
    return [f"tolerance limit: {says}"] if says else []


def _add_result(case: TestCase, finding: Finding, text: str) -> None:
    message = visible(finding.headline)
    if finding.verdict == "fail":
        case.add_failure_info(message, text, finding.kind)
    elif finding.verdict == "inconclusive":
        case.add_failure_info(message, text, "inconclusive")
    elif finding.verdict == "error":
        case.add_error_info(message, text, "error")


def _failure_text(flown: Flown, finding: Finding, tolerance: list[str]) -> str:
    lines = [*finding.sentences(), *tolerance]
    if flown.grade is not None and flown.grade.anchors:
        lines.append(flown.grade.anchors)
    lines += [f"flight folder: {flown.folder}", f"once more: {again(flown)}"]
    return visible("\n".join(lines))


def _missing(outcome: ScenarioOutcome, seed: int) -> TestCase:
    case = TestCase(visible(f"flight with seed {seed}"), visible(f"{outcome.name}.{outcome.vehicle}"))
    why = "; ".join(outcome.failures) or "the run ended before this flight had a result"
    case.add_error_info(visible(f"not flown: {why}"), visible(why), "error")
    return case


def _verdict_case(outcome: ScenarioOutcome, cases: list[TestCase]) -> list[TestCase]:
    """A case of its own for a verdict that the other cases do not show: by share, or over several flights."""
    shown = any(case.is_failure() or case.is_error() for case in cases)
    if outcome.verdict != "pass" and shown and not outcome.judged_by_share:
        return []
    if outcome.verdict == "pass" and not outcome.judged_by_share:
        return []
    case = TestCase("verdict", visible(f"{outcome.name}.{outcome.vehicle}"))
    finding = Finding("flight", "verdict", outcome.verdict, outcome.statement or outcome.verdict)
    _add_result(case, finding, visible(finding.headline))
    return [case]


def _properties(outcome: ScenarioOutcome) -> dict[str, str]:
    """What a flight ran with; the schema has room for properties in a suite only."""
    facts: dict[str, str] = {"verdict": outcome.verdict}
    for number, flown in enumerate(outcome.flights, 1):
        prefix = f"flight {number} " if len(outcome.flights) > 1 else ""
        facts.update({prefix + name: visible(value) for name, value in _flight_properties(flown).items()})
    for number, attempt in enumerate(outcome.flown_again, 1):
        facts[f"flown again after error {number}"] = visible(attempt)
    return facts


def _flight_properties(flown: Flown) -> dict[str, str]:
    manifest, clock = flown.manifest, flown.manifest.clock
    return {
        "seed": str(manifest.seed),
        "clock": clock.kind,
        "deterministic": "yes" if clock.deterministic else f"no: {clock.reason or 'paced by wall time'}",
        "digest": clock.digest or "none",
        "fingerprint": clock.fingerprint or "none",
        "pace": "unknown" if clock.pace is None else f"{clock.pace:.1f}",
        "flight time": words.seconds(manifest.flight_time_s),
        "folder": str(flown.folder),
    }

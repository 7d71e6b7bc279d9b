"""Flights from their folders, with their grades and scenarios, and the reports that are written of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from asflown.change.sets import FlightSet, scenario_at
from asflown.clock.wall import utc_now
from asflown.errors import AsflownError, FolderProblem, UsageError
from asflown.grade.grade import grade_capture, grade_flight, read_grade, write_grade
from asflown.grade.tolerances import measure_tolerances
from asflown.grade.verdict import judge_flights
from asflown.record.folder import read_manifest
from asflown.record.foreign import capture_manifest
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.markdown import write_markdown
from asflown.scenario.file import load_scenario
from asflown.scenario.model import JudgeWay, Scenario

if TYPE_CHECKING:
    from asflown.change.findings import Comparison
    from asflown.report.site.overview import Told


def told_of(places: list[Path], by: Path | None) -> Told:
    """All flights gathered by scenario, vehicle and release, in the order in which they were named.

    A flight keeps the grade that lies in its folder, unless `by` names a scenario to grade by. A scenario that is no
    longer where it was is None, and its flights are told all the same. Raises UsageError for what is no flight.
    """
    gathered: dict[tuple[str, str, str], tuple[Scenario | None, list[Flown]]] = {}
    for place in places:
        scenario, flown = _recorded(place, by)
        vehicle = flown.manifest.vehicle
        key = flown.manifest.scenario, vehicle.name, vehicle.release or ""
        gathered.setdefault(key, (scenario, []))[1].append(flown)
    return [(outcome_of(name, vehicle, *found), found[0]) for (name, vehicle, _), found in gathered.items()]


def write_reports(
    told: Told,
    site: Path | None = None,
    markdown: Path | None = None,
    plan_views: Path | None = None,
    *,
    as_png: bool = False,
) -> list[Path]:
    """Writes what is asked for and returns the files to open. Raises FolderProblem where it cannot."""
    from asflown.report.site.site import write_plans, write_site  # heavy, and few flights need it

    written: list[Path] = []
    if site is not None:
        written.append(write_site(told, site, f"{utc_now():%Y-%m-%d %H:%M} UTC"))
    if markdown is not None:
        write_markdown(markdown, [outcome for outcome, _ in told])
        written.append(markdown)
    if plan_views is not None:
        written += write_plans(told, plan_views, as_png=as_png)
    return written


def write_comparison(found: Comparison, a: FlightSet, b: FlightSet, site: Path) -> Path:
    """Writes a site of two sets and their comparison; returns the comparison's page. Raises FolderProblem."""
    from asflown.report.site.comparing import Compared  # heavy, as above
    from asflown.report.site.comparison_page import page_name_of
    from asflown.report.site.site import COMPARISONS, write_site

    told = told_of([flight.folder for side in (a, b) for flight in side], None)
    first = write_site(told, site, f"{utc_now():%Y-%m-%d %H:%M} UTC", [Compared(found, a, b)])
    return first.parent / COMPARISONS / page_name_of(a, b)


def _recorded(place: Path, by: Path | None) -> tuple[Scenario | None, Flown]:
    if not place.exists():
        raise UsageError(f"there is no file or folder {place}", "Name a flight's folder or a tlog")
    if not place.is_dir():
        if by is None:
            raise UsageError(f"nothing says what {place} should have flown", "Add --scenario FILE")
        scenario = load_scenario(by).scenario
        return scenario, Flown(
            capture_manifest(place, scenario.name, by), grade_capture(place, scenario), place
        )
    manifest = read_manifest(place)
    scenario_or_none = _scenario(by or Path(manifest.scenario_file), by)
    if by is None:
        try:
            return scenario_or_none, Flown(manifest, read_grade(place), place)
        except FolderProblem:
            if scenario_or_none is None:
                return None, Flown(manifest, None, place)
    assert scenario_or_none is not None
    grade = grade_flight(place, scenario_or_none)
    write_grade(place, grade)
    return scenario_or_none, Flown(manifest, grade, place)


def _scenario(file: Path, by: Path | None) -> Scenario | None:
    """The scenario of a flight; None when it cannot be read any more, but what is named must be readable."""
    try:
        return scenario_at(file)
    except AsflownError:
        if by is not None:
            raise
        return None


def outcome_of(name: str, vehicle: str, scenario: Scenario | None, flights: list[Flown]) -> ScenarioOutcome:
    """Flights of one scenario on one vehicle, and what they add up to."""
    judge: JudgeWay = "every-flight" if scenario is None else scenario.judge
    verdict = judge_flights([one.judged for one in flights], judge)
    graded = [(one.judged, one.grade) for one in flights if one.grade is not None]
    return ScenarioOutcome(
        name,
        vehicle,
        verdict.word,
        verdict.statement,
        tuple(flights),
        judged_by_share=judge != "every-flight",
        tolerances=measure_tolerances(graded, judge),
        confidence=verdict.confidence,
        would_decide=verdict.would_decide,
    )

"""`asflown grade`: grades recorded flights again, or any capture, without flying."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.report.flown import Flown, ScenarioOutcome
    from asflown.scenario.model import Scenario

DESCRIPTION = """\
Grades what was recorded by what the scenario expects now, and reports as `asflown fly` does. Nothing is flown.
A flight's folder gets its new grade.json; any other tlog can be graded with --scenario.
"""

EXAMPLES = """\
examples:
  asflown grade .asflown/flights/*                        each flight by its own scenario
  asflown grade FOLDER --scenario stricter.scenario.yaml  by the expectations of another file
  asflown grade field-day.tlog --scenario my.scenario.yaml
  asflown grade .asflown/flights/* --suggest              limits from flights, shown as a diff
  asflown grade .asflown/flights/* --suggest --write      the same, written into the scenario file
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `grade` to the command."""
    parser = command(commands, "grade", "grade recorded flights again, or any capture", DESCRIPTION, EXAMPLES)
    add = parser.add_argument
    add("paths", nargs="+", type=Path, metavar="PATH", help="a flight's folder, or a tlog")
    add("--scenario", type=Path, metavar="FILE", help="grade by this file instead of the flight's own")
    add("--junit", type=Path, metavar="FILE", help="write a JUnit report")
    add("--json", type=Path, metavar="FILE", help="write every number as JSON")
    add(
        "--suggest",
        action="store_true",
        help="propose limits from these flights, as a change of the scenario file",
    )
    add("--write", action="store_true", help="with --suggest: change the file, comments and layout kept")
    add(
        "--coverage",
        type=float,
        metavar="SHARE",
        help="with --suggest: of all flights that keep a limit (0.9)",
    )
    add("--confidence", type=float, metavar="SHARE", help="with --suggest: how sure that is (0.9)")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Grades what was named; returns the exit code. Raises UsageError for what cannot be graded."""
    if options.suggest:
        return _suggest(options)
    _refuse_without_suggest(options)
    from asflown.grade.verdict import exit_code_of
    from asflown.report import atomic, terminal
    from asflown.report.document import write_json
    from asflown.report.junit import write_junit

    for path in (options.junit, options.json):
        if path is not None:
            atomic.check_writable(path)
    outcomes = _outcomes(_places(options.paths), options.scenario)
    if options.junit is not None:
        write_junit(options.junit, outcomes)
    if options.json is not None:
        write_json(options.json, outcomes)
    terminal.show(outcomes, terminal.console())
    return exit_code_of(outcome.verdict for outcome in outcomes)


def _places(paths: list[Path]) -> list[Path]:
    """Each place once, without the index of flights that lies among their folders."""
    from asflown.change.history_store import FILE_NAME

    places = list(dict.fromkeys(paths))
    return [place for place in places if place.name != FILE_NAME] or places


def _suggest(options: argparse.Namespace) -> int:
    from asflown.cli.suggesting import Request, suggest_limits
    from asflown.errors import UsageError

    if options.junit is not None or options.json is not None:
        raise UsageError(
            "--suggest writes no report", "Leave --junit and --json out, or grade without --suggest"
        )
    return suggest_limits(
        Request(
            tuple(_places(options.paths)),
            options.scenario,
            options.coverage,
            options.confidence,
            options.write,
        )
    )


def _refuse_without_suggest(options: argparse.Namespace) -> None:
    from asflown.errors import UsageError

    for name in ("write", "coverage", "confidence"):
        if getattr(options, name) not in {None, False}:
            raise UsageError(f"--{name} belongs to --suggest", "Add --suggest, or leave it out")


def _outcomes(places: list[Path], by: Path | None) -> tuple[ScenarioOutcome, ...]:
    """All flights graded, gathered by scenario and vehicle in the order in which they were named."""
    from asflown.cli.recorded import outcome_of

    gathered: dict[tuple[str, str], tuple[Scenario, list[Flown]]] = {}
    for place in places:
        scenario, flights = _graded(place, by)
        key = (scenario.name, flights[0].manifest.vehicle.name)
        gathered.setdefault(key, (scenario, []))[1].extend(flights)
    return tuple(outcome_of(name, vehicle, *found) for (name, vehicle), found in gathered.items())


def _graded(place: Path, by: Path | None) -> tuple[Scenario, list[Flown]]:
    """The flight of a folder, or all flights of a tlog, with the scenario they are graded by."""
    from asflown.errors import FolderProblem
    from asflown.grade.grade import grade_flight, grade_flights_in, write_grade
    from asflown.record.folder import read_manifest
    from asflown.record.foreign import capture_manifest
    from asflown.report.flown import Flown

    if place.is_dir():
        manifest = read_manifest(place)
        scenario = _scenario(by or Path(manifest.scenario_file), place, by)
        grade = grade_flight(place, scenario)
        try:
            write_grade(place, grade)
        except (
            FolderProblem
        ) as problem:  # as in an archive that is read-only: what was found is shown all the same
            print(f"asflown: not kept: {problem}", file=sys.stderr)
        return scenario, [Flown(manifest, grade, place)]
    scenario = _scenario(by, place, by)
    manifest = capture_manifest(place, scenario.name, by)
    return scenario, [Flown(manifest, grade, place) for grade in grade_flights_in(place, scenario)]


def _scenario(file: Path | None, place: Path, by: Path | None) -> Scenario:
    """The scenario to grade by. Raises UsageError when none is known, or it is not where it was."""
    from asflown.errors import UsageError
    from asflown.scenario.file import load_scenario

    if not place.exists():
        raise UsageError(f"there is no file or folder {place}", "Name a flight's folder or a tlog")
    if file is None:
        raise UsageError(f"nothing says what {place} should have flown", "Add --scenario FILE")
    if by is None and not file.is_file():
        raise UsageError(
            f"the scenario of {place} is not at {file}", "Go to where it was flown, or add --scenario FILE"
        )
    return load_scenario(file).scenario

"""What `asflown sensitivity` does: gathers flights, flies scenarios once, disturbs, and tells what is caught."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

import asflown
from asflown.cli.crew import fly_jobs
from asflown.cli.flights import FlyRequest, subjects_of
from asflown.cli.jobs import Job
from asflown.cli.one_flight import fly_and_grade
from asflown.cli.planning import jobs_for
from asflown.clock.wall import Stopwatch
from asflown.errors import ExitCode, UsageError
from asflown.flight.plan import Progress
from asflown.grade.grade import load_tracks
from asflown.grade.sensitivity import Found, sensitivity
from asflown.record import manifest
from asflown.record.folder import FLIGHTS, read_manifest
from asflown.report import atomic, terminal, words
from asflown.report.progress import Board, Moment, board
from asflown.report.visible import visible
from asflown.scenario.file import SUFFIX, load_scenario
from asflown.scenario.model import Scenario

SCHEMA_VERSION = 1


@dataclass(frozen=True, slots=True)
class Request:
    """What the command line asked for."""

    paths: tuple[Path, ...]
    scenario: Path | None
    vehicle: str | None
    keep: Path | None
    json: Path | None


@dataclass(frozen=True, slots=True)
class _Subject:
    """A recorded flight, and what it is judged by."""

    scenario: Scenario
    vehicle: str
    place: Path


def disturb_all(request: Request) -> int:
    """Disturbs all that was named, one after the other, and reports; returns the exit code."""
    if request.json is not None:
        atomic.check_writable(request.json)
    out = terminal.console(sys.stdout)
    told: list[dict[str, Any]] = []
    subjects, code = _subjects(request, out)
    for subject in subjects:
        found = sensitivity(load_tracks(subject.place, subject.scenario), subject.scenario)
        _show(subject, found, out)
        told.append(_document(subject, found))
        if request.json is not None:
            document = {"schema_version": SCHEMA_VERSION, "asflown": asflown.__version__, "flights": told}
            atomic.write_text(request.json, json.dumps(document, indent=2, allow_nan=False) + "\n")
    return code


def _subjects(request: Request, out: Console) -> tuple[list[_Subject], int]:
    """Recorded flights as they are named, then scenarios, flown once each."""
    recorded = [path for path in request.paths if _is_recorded(path)]
    to_fly = [path for path in request.paths if path not in recorded]
    subjects = [_recorded(path, request.scenario) for path in recorded]
    if not to_fly:
        return subjects, ExitCode.PASSED
    if request.scenario is not None:
        raise UsageError(
            f"--scenario says what recorded flights are judged by, and {to_fly[0]} is not one",
            "Name a flight's folder or a tlog, or leave --scenario out",
        )
    flown, failures = _flown(to_fly, request)
    for failure in failures:
        out.print(Text(visible(f"not flown: {failure}"), style="magenta"))
    return subjects + flown, ExitCode.NOT_FLOWN if failures else ExitCode.PASSED


def _is_recorded(path: Path) -> bool:
    return (path / manifest.FILE_NAME).exists() or (path.is_file() and not path.name.endswith(SUFFIX))


def _recorded(place: Path, by: Path | None) -> _Subject:
    if not place.is_dir():
        if by is None:
            raise UsageError(f"nothing says what {place} should have flown", "Add --scenario FILE")
        return _Subject(load_scenario(by).scenario, place.stem, place)
    recorded = read_manifest(place)
    file = by or Path(recorded.scenario_file)
    if not file.is_file():
        remedy = "Go to where it was flown, or add --scenario FILE"
        raise UsageError(f"the scenario of {place} is not at {file}", remedy)
    return _Subject(load_scenario(file).scenario, recorded.vehicle.name, place)


def _flown(paths: list[Path], request: Request) -> tuple[list[_Subject], list[str]]:
    """One flight of each scenario, by its first seed; and why some could not be flown."""
    keep = request.keep or FLIGHTS
    fly = FlyRequest(tuple(paths), request.vehicle, 1, None, 1, "any", False, None, None, keep)
    jobs = jobs_for(subjects_of(fly), "any", keep, prove=False)
    atomic.check_folder_writable(keep)
    with board(terminal.console(sys.stderr)) as shown:
        found = list(_results(jobs, shown))
    flown = [
        _Subject(job.plan.loaded.scenario, job.plan.vehicle.name, folder)
        for job, folder, _ in found
        if folder is not None
    ]
    return flown, [f"{job.title}: {failure}" for job, folder, failure in found if folder is None]


def _results(jobs: tuple[Job, ...], shown: Board) -> Iterator[tuple[Job, Path | None, str]]:
    def started(job: Job) -> None:
        shown.begin(job.number, job.title, Stopwatch().seconds)

    def watch(job: Job, at: Progress) -> None:
        shown.move(job.number, Moment(at.phase, at.flight_time_s, at.height_m, at.distance_m))

    with closing(fly_jobs(jobs, 1, fly_and_grade, started, watch)) as results:
        for result in results:
            folder = None if result.flown is None else result.flown.folder
            shown.end(result.number, result.failure or "flown, being disturbed")
            yield jobs[result.number], folder, result.failure


def _show(subject: _Subject, found: tuple[Found, ...], out: Console) -> None:
    out.print(Text(visible(f"{subject.scenario.name} on {subject.vehicle}"), style="bold"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column("  the vehicle", max_width=34)
    table.add_column("is caught from", justify="right", no_wrap=True)
    table.add_column("by", overflow="fold")
    for one in found:
        table.add_row(f"  {one.says}", *(visible(cell) for cell in _caught(one)))
    out.print(table)
    out.print()


def _caught(one: Found) -> tuple[str, str]:
    """From which size on, and by what; in words where it is never caught."""
    if one.outcome == "makes-no-sense":
        return "–", one.reason
    if one.size is None:
        return "never", one.reason or f"looked for up to {words.quantity(one.looked_up_to, one.unit)}"
    by = ", ".join(one.caught_by)
    if one.passes_again:
        by += f"; passes again with {words.quantity(one.passes_again[0], one.unit)}"
    return words.quantity(one.size, one.unit), by


def _document(subject: _Subject, found: tuple[Found, ...]) -> dict[str, Any]:
    return {
        "scenario": subject.scenario.name,
        "vehicle": subject.vehicle,
        "folder": str(subject.place),
        "disturbances": [asdict(one) for one in found],
    }

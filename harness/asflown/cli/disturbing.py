"""What `asflown sensitivity` does: flies a campaign of each scenario, disturbs records, and tells what is caught."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

import asflown
from asflown.campaign.executor import Local
from asflown.campaign.sensitivity import Caught, Flights, disturbances, folder_of, link_losses
from asflown.campaign.store import Store
from asflown.cli.campaign import simulated
from asflown.cli.many import board_of_many
from asflown.cli.planning import seeds_for
from asflown.errors import ExitCode, UsageError
from asflown.grade.grade import load_tracks
from asflown.grade.sensitivity import Found, sensitivity
from asflown.record import manifest
from asflown.record.folder import read_manifest
from asflown.report import atomic, terminal, words
from asflown.report.progress import Board
from asflown.report.visible import visible
from asflown.scenario.file import SUFFIX, LoadedScenario, find_scenarios, load_scenario
from asflown.scenario.model import Scenario

SCHEMA_VERSION = 1


@dataclass(frozen=True, slots=True)
class Request:
    """What the command line asked for."""

    paths: tuple[Path, ...]
    scenario: Path | None
    vehicle: str | None
    into: Path | None
    json: Path | None
    workers: int = 1
    recorded_only: bool = False
    """Fly each scenario once and disturb what was recorded, but not script, vehicle and link."""
    quiet: bool = False
    """Show no progress."""


@dataclass(frozen=True, slots=True)
class _Subject:
    """A recorded flight, and what it is judged by."""

    scenario: Scenario
    vehicle: str
    place: Path


@dataclass(frozen=True, slots=True)
class _ToFly:
    """A scenario that is flown for it."""

    loaded: LoadedScenario
    vehicle: str
    flights: Flights
    shown: Board
    """Shown while it flies, so that results are printed where nothing is redrawn."""


def disturb_all(request: Request) -> int:
    """Disturbs all that was named, one after the other, and reports; returns the exit code."""
    if request.json is not None:
        atomic.check_writable(request.json)
    out = terminal.console(sys.stdout)
    told: list[dict[str, Any]] = []
    code = ExitCode.PASSED
    recorded, to_fly = _gathered(request)
    subjects: list[_Subject | _ToFly] = [*recorded, *to_fly]
    for subject in subjects:
        document = (
            _fly(subject, request, out) if isinstance(subject, _ToFly) else _disturb_recorded(subject, out)
        )
        if document is None:
            code = ExitCode.NOT_FLOWN
            continue
        told.append(document)
        if request.json is not None:
            whole = {"schema_version": SCHEMA_VERSION, "asflown": asflown.__version__, "flights": told}
            atomic.write_text(request.json, json.dumps(whole, indent=2, allow_nan=False) + "\n")
    return code


def _gathered(request: Request) -> tuple[list[_Subject], list[_ToFly]]:
    """Recorded flights as they are named, then scenarios; what is wrong with any is said before anything flies."""
    recorded = [path for path in request.paths if _is_recorded(path)]
    scenarios = [path for path in request.paths if path not in recorded]
    subjects = [_recorded(path, request.scenario) for path in recorded]
    if not scenarios:
        return subjects, []
    if request.scenario is not None:
        raise UsageError(
            f"--scenario says what recorded flights are judged by, and {scenarios[0]} is not one",
            "Name a flight's folder or a tlog, or leave --scenario out",
        )
    return subjects, [_to_fly(load_scenario(file), request) for file in find_scenarios(scenarios)]


def _to_fly(loaded: LoadedScenario, request: Request) -> _ToFly:
    vehicle = simulated(loaded, request.vehicle)
    seed = seeds_for(loaded.scenario.repeat, 1, None)[0]
    folder = folder_of(loaded, vehicle, seed, *(() if request.into is None else (request.into,)))
    atomic.check_folder_writable(folder)
    shown = board_of_many(quiet=request.quiet, every=1)
    flights = Flights(loaded, vehicle, seed, Local(request.workers, shown), Store(folder))
    return _ToFly(loaded, vehicle, flights, shown)


def _fly(subject: _ToFly, request: Request, out: Console) -> dict[str, Any] | None:
    """The campaign of one scenario; None when it could not be flown even undisturbed."""
    loaded, flights = subject.loaded, subject.flights
    with subject.shown:
        first = flights.undisturbed()
    if first.verdict == "error":
        says = f"not flown: {loaded.scenario.name} on {subject.vehicle}: {first.reason}"
        out.print(Text(visible(says), style="magenta"))
        return None
    document = _disturb_recorded(_Subject(loaded.scenario, subject.vehicle, Path(first.folder)), out)
    if not request.recorded_only:
        kinds = disturbances(loaded, flights.store.folder / "links")
        with subject.shown:
            found = flights.disturbed([*kinds, link_losses(loaded, first.flight_time_s)])
        _show_flown(found, out)
        document["flown"] = [asdict(one) for one in found]
    return document


def _disturb_recorded(subject: _Subject, out: Console) -> dict[str, Any]:
    found = sensitivity(load_tracks(subject.place, subject.scenario), subject.scenario)
    _show(subject, found, out)
    return _document(subject, found)


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


def _show(subject: _Subject, found: tuple[Found, ...], out: Console) -> None:
    out.print(Text(visible(f"{subject.scenario.name} on {subject.vehicle}"), style="bold"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column("  the vehicle", max_width=45)
    table.add_column("is caught from", justify="right", no_wrap=True)
    table.add_column("by", overflow="fold")
    for one in found:
        table.add_row(f"  {one.says}", *(visible(cell) for cell in _caught(one)))
    out.print(table)
    out.print()


def _show_flown(found: tuple[Caught, ...], out: Console) -> None:
    """The same table for what was flown."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column("  flown anew: the", max_width=44)
    table.add_column("is caught from", justify="right", no_wrap=True)
    table.add_column("by", overflow="fold")
    for one in found:
        table.add_row(f"  {one.part} {one.says}", one.size or "never", visible(_by(one)))
    out.print(table)
    out.print()


def _by(one: Caught) -> str:
    """By what, and what else is to be said."""
    told = [", ".join(one.caught_by) or f"looked for up to {one.looked_up_to}"]
    if one.size is not None:
        told.append(f"passes with {one.passes}" if one.passes else "the gentlest that was flown")
    if one.passes_again:
        told.append(f"passes again with {one.passes_again[0]}")
    if one.undecided:
        told.append(f"undecided with {one.undecided[0]}")
    return "; ".join(told)


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

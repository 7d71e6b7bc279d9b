"""The flights of one `asflown fly`: planned from scenario files, flown, graded and reported as they end.

Everything that can be refused is refused before the first flight: scenario files, vehicles, places to write to.
"""

from __future__ import annotations

import sys
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from asflown.campaign.showing import moment_of
from asflown.cli.changes import check_baselines, find_changes, show_changes
from asflown.cli.crew import fly_jobs
from asflown.cli.jobs import Job, JobResult
from asflown.cli.ledger import Ledger
from asflown.cli.one_flight import fly_and_grade
from asflown.cli.planning import Subject, jobs_for, seeds_for
from asflown.cli.real import made_ready
from asflown.cli.recorded import write_reports
from asflown.cli.remember import Remembering
from asflown.clock.wall import Stopwatch
from asflown.errors import FileProblem, FileProblems, UsageError
from asflown.flight.plan import ClockChoice, Progress
from asflown.flight.sandbox import leave_the_network
from asflown.grade.verdict import exit_code_of
from asflown.record.folder import FLIGHTS
from asflown.report import atomic, terminal
from asflown.report.document import write_json
from asflown.report.flown import ScenarioOutcome
from asflown.report.junit import write_junit
from asflown.report.markdown import write_markdown
from asflown.report.progress import Board, board
from asflown.scenario.file import LoadedScenario, find_scenarios, load_scenario, with_given
from asflown.scenario.model import VehicleFile
from asflown.scenario.places import meant
from asflown.scenario.vehicle_file import BUILT_IN, load_vehicle
from asflown.sim.releases import RELEASES


@dataclass(frozen=True, slots=True)
class FlyRequest:
    """What the command line asked for."""

    paths: tuple[Path, ...]
    vehicle: str | None
    flights: int | None
    seed: int | None
    workers: int
    clock: ClockChoice
    prove: bool
    junit: Path | None
    json: Path | None
    keep: Path | None
    given: dict[str, str] = field(default_factory=dict)
    """Values beside those of the files."""
    site: Path | None = None
    markdown: Path | None = None
    further_vehicles: tuple[str, ...] = ()
    """To be flown as well, and compared with the first."""
    against_baseline: str | None = None
    """Hold flights against their baseline; of which release line, '' for their own. None: do not."""
    retry_errors: int = 0
    """How often flights that ended in an error are flown again; those that failed never are."""
    sandbox: bool = False
    """Start the scripts behind walls: nobody vouches for them."""
    quiet: bool = False
    """Show no progress."""


def fly_all(request: FlyRequest) -> int:
    """Flies, grades and reports; returns the exit code.

    Raises UsageError before anything flies, and what a flight raises: KeyboardInterrupt, SystemExit, HarnessFault.
    The reports on disk then say what was flown until then, and what was not.
    """
    keep = request.keep or FLIGHTS
    subjects = subjects_of(request)
    _check_places(request, keep)
    if request.sandbox:
        _enter_sandbox(request, subjects)
    if request.retry_errors:
        _refuse_real(subjects)
    if request.against_baseline is not None:
        check_baselines(subjects, request.against_baseline)
    subjects = made_ready(subjects, request.workers, keep, prove=request.prove)
    jobs = jobs_for(subjects, request.clock, keep, prove=request.prove, sandbox=request.sandbox)
    ledger = Ledger(subjects, jobs)
    _write_reports(request, ledger.outcomes())
    questions = any(subject.operator is not None for subject in subjects)
    with board(terminal.console(sys.stderr, widest=None), questions=questions, quiet=request.quiet) as shown:
        _fly_onto(shown, jobs, request, ledger)
        for _ in range(request.retry_errors):
            _fly_onto(shown, ledger.errors(), request, ledger)
    outcomes = ledger.outcomes()
    terminal.show(outcomes, terminal.console(sys.stdout))
    changes = find_changes(
        subjects, outcomes, matrix=bool(request.further_vehicles), line=request.against_baseline
    )
    show_changes(changes, terminal.console(sys.stdout))
    if request.junit is not None:
        write_junit(request.junit, outcomes, changes.against)
    if request.json is not None:
        write_json(request.json, outcomes, changes.as_data())
    if request.site is not None:
        scenarios = {subject.loaded.scenario.name: subject.loaded.scenario for subject in subjects}
        told = [(outcome, scenarios[outcome.name]) for outcome in outcomes]
        write_reports(told, site=request.site)
    return exit_code_of([*(outcome.verdict for outcome in outcomes), *changes.verdicts()])


def _enter_sandbox(request: FlyRequest, subjects: tuple[Subject, ...]) -> None:
    """Leaves the network, where that takes nothing away that the flights need. Raises UsageError, ScriptProblem."""
    other = next((one.vehicle for one in subjects if one.vehicle.kind != "built-in"), None)
    if other is not None:
        raise UsageError(
            f"--sandbox flies the built-in vehicles alone, and {other.name} is a {other.kind}",
            "Fly the script on palm80 or field1400 until you know it",
        )
    if request.workers > 1:
        raise UsageError(
            "--sandbox flies one flight at a time", "Leave --workers out: scripts shall not meet"
        )
    leave_the_network()


def _refuse_real(subjects: tuple[Subject, ...]) -> None:
    """What ended in an error in the air is looked at by a person before it flies again."""
    for subject in subjects:
        if subject.vehicle.kind == "airframe":
            raise UsageError(
                f"--retry-errors does not fly {subject.vehicle.name} again: it is a real vehicle",
                "Leave it out; find out what went wrong before the next flight",
            )


def _fly_onto(shown: Board, jobs: tuple[Job, ...], request: FlyRequest, ledger: Ledger) -> None:
    """Flies all jobs; after each, the ledger and the reports know of it."""
    if not jobs:
        return

    def started(job: Job) -> None:
        shown.begin(job.number, job.title, Stopwatch().seconds)

    def watch(job: Job, at: Progress) -> None:
        shown.move(job.number, moment_of(at))

    shown.expect(len(jobs))
    watched = watch if shown.watches else None
    with (
        Remembering(request.keep or FLIGHTS) as history,
        closing(fly_jobs(jobs, request.workers, fly_and_grade, started, watched)) as results,
    ):
        for result in results:
            ledger.enter(result)
            if result.flown is not None:
                history.enter(result.flown.folder)
            verdict = "error" if result.flown is None else result.flown.verdict
            shown.end(result.number, _in_a_word(result), verdict)
            _write_reports(request, ledger.outcomes())


def _in_a_word(result: JobResult) -> str:
    if result.flown is None:
        return f"error: {result.failure}"
    manifest = result.flown.manifest
    return f"{result.flown.verdict} after {manifest.flight_time_s:.1f} s of flight in {manifest.wall_time_s:.1f} s"


def _write_reports(request: FlyRequest, outcomes: tuple[ScenarioOutcome, ...]) -> None:
    if request.junit is not None:
        write_junit(request.junit, outcomes)
    if request.json is not None:
        write_json(request.json, outcomes)
    if request.markdown is not None:
        write_markdown(request.markdown, outcomes)


def _check_places(request: FlyRequest, keep: Path) -> None:
    """Proves that everything can be written before anything flies."""
    atomic.check_folder_writable(keep)
    for path in (request.junit, request.json, request.markdown):
        if path is not None:
            atomic.check_writable(path)
    if request.site is not None:
        atomic.check_folder_writable(request.site)
    if (
        request.junit is not None
        and request.json is not None
        and request.junit.resolve() == request.json.resolve()
    ):
        raise UsageError(f"--junit and --json both name {request.junit}", "Give each a file of its own")


def subjects_of(request: FlyRequest) -> tuple[Subject, ...]:
    """The scenarios with their vehicles and seeds. Raises the problems of all scenario files together."""
    loaded = _load_all(find_scenarios(request.paths), request.given)
    asked = (request.vehicle, *request.further_vehicles)
    if len(set(asked)) < len(asked):
        raise UsageError("--vehicle names one vehicle twice", "Name each once; --flights repeats flights")
    return tuple(
        Subject(
            one,
            _vehicle(one, vehicle),
            vehicle,
            seeds_for(one.scenario.repeat, request.flights, request.seed),
        )
        for one in loaded
        for vehicle in asked
    )


def _load_all(files: list[Path], given: dict[str, str]) -> list[LoadedScenario]:
    loaded: list[LoadedScenario] = []
    problems: list[FileProblem] = []
    for file in files:
        try:
            loaded.append(with_given(load_scenario(file), given) if given else load_scenario(file))
        except FileProblems as several:
            problems += several.problems
        except FileProblem as problem:
            problems.append(problem)
    if problems:
        raise problems[0] if len(problems) == 1 else FileProblems(tuple(problems))
    return loaded


def _vehicle(loaded: LoadedScenario, asked: str | None) -> VehicleFile:
    """The vehicle that the command names, or the scenario's own."""
    if asked is not None:
        return _of_known_release(load_vehicle(asked))
    if loaded.scenario.vehicle is None:
        known = " or ".join(BUILT_IN)
        raise UsageError(
            f"{loaded.file} names no vehicle", f"Say which one flies it: --vehicle {known}, or a file"
        )
    return _of_known_release(load_vehicle(loaded.scenario.vehicle, loaded.folder))


def _of_known_release(vehicle: VehicleFile) -> VehicleFile:
    """The vehicle itself. Raises UsageError for a release that the built-in flight controller never had."""
    if vehicle.kind == "built-in" and vehicle.release not in RELEASES:
        raise UsageError(
            f"{vehicle.name} has no release `{vehicle.release}`",
            meant(vehicle.release, RELEASES, "There are"),
        )
    return vehicle

"""Scenario files as tests: `pytest scenarios/` flies them, and a test may fly and grade from Python.

Each flight is one item, so all its measures stay on one worker; a scenario that is judged by a share of its flights is
one item as a whole. A flight that fails, or does not decide, fails its item with the words of the terminal report; one
that could not be flown fails it too, and may be tried again (`--asflown-tries`), which a fail never is.

Nothing of asflown is imported before a scenario file is collected or a fixture is used.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from asflown.cli.planning import Subject
    from asflown.grade.result import Grade
    from asflown.report.flown import Flown, ScenarioOutcome

SUFFIX = ".scenario.yaml"
KINDS = ("built_in", "container", "bench", "airframe")
"""Markers of items: what kind of vehicle flies."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options for the flights of scenario files and of the fixtures."""
    group = parser.getgroup("asflown", "flights of scenario files")
    group.addoption(
        "--asflown-vehicle",
        action="append",
        default=[],
        metavar="NAME",
        help="what flies, instead of the scenario's own; several: each",
    )
    group.addoption("--asflown-flights", type=int, metavar="N", help="flights of each scenario")
    group.addoption("--asflown-seed", type=int, metavar="N", help="the first flight's seed")
    group.addoption(
        "--asflown-clock", choices=("any", "lockstep", "paced"), default="any", help="virtual or wall time"
    )
    group.addoption(
        "--asflown-keep", type=Path, metavar="DIR", help="where flight folders go (.asflown/flights)"
    )
    group.addoption(
        "--asflown-tries",
        type=int,
        default=1,
        metavar="N",
        help="how often a flight that could not be flown is tried",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Makes the markers known."""
    for kind in KINDS:
        config.addinivalue_line(
            "markers", f"{kind}: flown by a vehicle of the kind `{kind.replace('_', '-')}`"
        )


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Takes every scenario file."""
    if file_path.name.endswith(SUFFIX):
        return ScenarioFile.from_parent(parent, path=file_path)
    return None


class ScenarioFile(pytest.File):
    """One scenario file with its flights."""

    def collect(self) -> Iterator[pytest.Item]:
        """An item for each flight of each vehicle. Raises CollectError for a file with mistakes, which it names."""
        from asflown.cli.flights import subjects_of
        from asflown.errors import AsflownError

        try:
            subjects = subjects_of(_request(self.config, (self.path,)))
        except AsflownError as error:
            raise self.CollectError(str(error)) from error
        for subject in subjects:
            whole = subject.loaded.scenario.judge != "every-flight"
            for seeds in [subject.seeds] if whole else [(seed,) for seed in subject.seeds]:
                told = f"seeds {seeds[0]} to {seeds[-1]}" if len(seeds) > 1 else f"seed {seeds[0]}"
                name = f"{subject.loaded.scenario.name}[{subject.title}, {told}]"
                item = FlightItem.from_parent(self, name=name, subject=subject, seeds=seeds)
                item.add_marker(subject.vehicle.kind.replace("-", "_"))
                yield item


class NotPassed(Exception):
    """Flights that did not pass, for the report."""

    def __init__(self, outcome: ScenarioOutcome) -> None:
        super().__init__(f"{outcome.name} on {outcome.vehicle}: {outcome.verdict}")
        self.outcome = outcome


class FlightItem(pytest.Item):
    """One flight, or those that are judged together."""

    def __init__(self, *, subject: Subject, seeds: tuple[int, ...], **more: Any) -> None:
        super().__init__(**more)
        self._subject, self._seeds = subject, seeds

    def runtest(self) -> None:
        """Flies and grades. Raises NotPassed, and AsflownError for what cannot be flown at all."""
        outcome = self._flown()
        for _ in range(self.config.getoption("asflown_tries") - 1):
            if outcome.verdict != "error":
                break
            outcome = self._flown()
        self._note(outcome)
        if outcome.verdict != "pass":
            raise NotPassed(outcome)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """The terminal's own report, or the message of an error."""
        from asflown.errors import AsflownError
        from asflown.report import terminal

        if isinstance(excinfo.value, NotPassed):
            out = io.StringIO()
            terminal.show([excinfo.value.outcome], terminal.console(out))
            return out.getvalue().strip("\n")
        if isinstance(excinfo.value, AsflownError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """What a report calls it."""
        return self.path, None, self.name

    def _flown(self) -> ScenarioOutcome:
        from dataclasses import replace

        from asflown.cli.crew import fly_jobs
        from asflown.cli.ledger import Ledger
        from asflown.cli.one_flight import fly_and_grade
        from asflown.cli.planning import jobs_for
        from asflown.cli.real import made_ready

        keep = _keep(self.config)
        subjects = made_ready((replace(self._subject, seeds=self._seeds),), 1, keep, prove=False)
        jobs = jobs_for(subjects, self.config.getoption("asflown_clock"), keep, prove=False)
        ledger = Ledger(subjects, jobs)
        for result in fly_jobs(jobs, 1, fly_and_grade, lambda job: None, lambda job, at: None):
            ledger.enter(result)
        (outcome,) = ledger.outcomes()
        return outcome

    def _note(self, outcome: ScenarioOutcome) -> None:
        """Values, limits and margins as properties, which `--junitxml` writes down."""
        from asflown.report.rows import rows

        for row in rows(outcome):
            self.user_properties.append(
                (row.name, f"{row.value}, {row.allowed}, margin {row.margin}".lstrip(", "))
            )
        for flown in outcome.flights:
            self.user_properties.append(("flight folder", str(flown.folder)))


@pytest.fixture
def vehicle(request: pytest.FixtureRequest) -> str:
    """The vehicle that `--asflown-vehicle` names; palm80 without it."""
    named = request.config.getoption("asflown_vehicle")
    return str(named[0]) if named else "palm80"


@pytest.fixture
def fly(request: pytest.FixtureRequest) -> Callable[..., Flown]:
    """`fly("my.scenario.yaml", vehicle="palm80", seed=1)`: one flight, graded; returns its folder, manifest and grade.

    Raises AsflownError for what cannot be flown.
    """

    def one(scenario: str | Path, vehicle: str | None = None, seed: int | None = None) -> Flown:
        from asflown.cli.flights import subjects_of
        from asflown.cli.one_flight import fly_and_grade
        from asflown.cli.planning import jobs_for
        from asflown.cli.real import made_ready
        from asflown.errors import FlightError

        config = request.config
        asked = _request(config, (Path(scenario),), vehicle=vehicle, seed=seed)
        keep = _keep(config)
        subjects = made_ready(subjects_of(asked)[:1], 1, keep, prove=False)
        job = jobs_for(subjects, config.getoption("asflown_clock"), keep, prove=False)[0]
        result = fly_and_grade(job, lambda at: None)
        if result.flown is None:
            raise FlightError(result.failure, "See the message")
        return result.flown

    return one


@pytest.fixture
def grade() -> Callable[[str | Path, str | Path], Grade]:
    """`grade(folder, "my.scenario.yaml")`: the grade of a recorded flight. Raises FolderProblem and file errors."""

    def one(folder: str | Path, scenario: str | Path) -> Grade:
        from asflown.grade.grade import grade_capture, grade_flight
        from asflown.scenario.file import load_scenario

        by = load_scenario(Path(scenario)).scenario
        place = Path(folder)
        return grade_flight(place, by) if place.is_dir() else grade_capture(place, by)

    return one


def _keep(config: pytest.Config) -> Path:
    from asflown.record.folder import FLIGHTS

    kept: Path | None = config.getoption("asflown_keep")
    return FLIGHTS if kept is None else kept


def _request(
    config: pytest.Config, paths: tuple[Path, ...], vehicle: str | None = None, seed: int | None = None
) -> Any:
    from asflown.cli.flights import FlyRequest

    vehicles = [vehicle] if vehicle is not None else config.getoption("asflown_vehicle")
    return FlyRequest(
        paths=paths,
        vehicle=vehicles[0] if vehicles else None,
        flights=config.getoption("asflown_flights"),
        seed=config.getoption("asflown_seed") if seed is None else seed,
        workers=1,
        clock=config.getoption("asflown_clock"),
        prove=False,
        junit=None,
        json=None,
        keep=_keep(config),
        further_vehicles=tuple(vehicles[1:]),
    )

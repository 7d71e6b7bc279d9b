"""One flight of a campaign, flown and graded: what a worker does with a task, on this machine or another.

What comes back is small; the flight's folder stays where the task says, or is removed when it need not be kept.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Literal

from asflown.campaign.plan import Drawn, number_of
from asflown.campaign.showing import seldom
from asflown.errors import AsflownError
from asflown.flight.conductor import fly
from asflown.flight.plan import ClockChoice, FlightPlan, ProgressCallback, unwatched
from asflown.grade.grade import grade_flight, write_grade
from asflown.grade.result import Grade, VerdictWord
from asflown.scenario.file import LoadedScenario, load_scenario, with_given
from asflown.scenario.model import Conditions, Start
from asflown.scenario.vehicle_file import load_vehicle

Keeping = Literal["all", "failed", "none"]


@dataclass(frozen=True, slots=True)
class AsFlown:
    """What an earlier flight was given, whatever its scenario's file says today; see `campaign/replay.py`."""

    conditions: Conditions
    start: Start

    def put_into(self, loaded: LoadedScenario) -> LoadedScenario:
        """The scenario under these conditions; where chance begins anew stays as the scenario has it."""
        chance = loaded.scenario.conditions.chance
        conditions = self.conditions.model_copy(update={"chance": chance})
        scenario = loaded.scenario.model_copy(update={"conditions": conditions, "start": self.start})
        return replace(loaded, scenario=scenario)


@dataclass(frozen=True, slots=True)
class Task:
    """One flight to be flown."""

    drawn: Drawn
    scenario: Path
    vehicle: str
    clock: ClockChoice
    keep: Path
    keeping: Keeping = "failed"
    """Which flights leave their folder behind."""
    as_flown: AsFlown | None = None
    """An earlier flight that is flown again."""

    name: str = ""
    """What people know it by, where its number says nothing to them."""

    @property
    def title(self) -> str:
        """`flight 12: wind.speed 4 m/s, battery 80 %`."""
        return self.name or f"flight {self.drawn.number}: {given_in_words(self.drawn.given)}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one flight of a campaign."""

    number: int
    seed: int
    given: dict[str, str]
    verdict: VerdictWord
    reason: str
    margins: dict[str, float]
    """By the names of measures and rules; what was not measurable is left out."""
    digest: str = ""
    fingerprint: str = ""
    flight_time_s: float = 0.0
    wall_time_s: float = 0.0
    folder: str = ""
    """Empty when it was not kept."""
    moments: dict[str, float] = field(default_factory=dict)
    """When in the flight each of the margins was at its smallest, in s; by the same names, where it is known."""

    @property
    def worst(self) -> float | None:
        """The smallest margin."""
        return min(self.margins.values(), default=None)


def fly_task(task: Task, tell: ProgressCallback = unwatched) -> Outcome:
    """Flies and grades one task, and tells how far it is.

    What cannot be flown is an outcome, too: `error`, with the reason.
    """
    drawn = task.drawn
    try:
        loaded = with_given(_loaded(task.scenario), drawn.given)
        if task.as_flown is not None:
            loaded = task.as_flown.put_into(loaded)
        vehicle = load_vehicle(task.vehicle, loaded.folder)
        plan = FlightPlan(loaded, vehicle, drawn.seed, task.clock, task.keep, task.vehicle)
        result = fly(plan, seldom(tell))
        grade = grade_flight(result.folder, loaded.scenario)
    except AsflownError as error:
        return lost(task, str(error))
    manifest, folder = result.manifest, result.folder
    kept = task.keeping == "all" or (task.keeping == "failed" and grade.verdict != "pass")
    if kept:
        write_grade(folder, grade)
    else:
        shutil.rmtree(folder, ignore_errors=True)
    return Outcome(
        drawn.number, drawn.seed, drawn.given, grade.verdict, grade.reason, margins_of(grade),
        manifest.clock.digest or "", manifest.clock.fingerprint or "", manifest.flight_time_s, manifest.wall_time_s,
        str(folder) if kept else "", moments_of(grade),
    )  # fmt: skip


def lost(task: Task, how: str) -> Outcome:
    """The outcome of a flight that left nothing."""
    return Outcome(task.drawn.number, task.drawn.seed, task.drawn.given, "error", how, {})


def in_words(outcome: Outcome) -> str:
    """How it ended: `fail after 52.4 s of flight in 0.8 s`."""
    if outcome.verdict == "error":
        return f"error: {outcome.reason}"
    return f"{outcome.verdict} after {outcome.flight_time_s:.1f} s of flight in {outcome.wall_time_s:.1f} s"


def given_in_words(given: Mapping[str, str]) -> str:
    """`wind.speed 4 m/s, battery 80 %`: keys without their first word, files by their name alone."""
    told = (f"{key.partition('.')[2] or key} {_brief(value)}" for key, value in given.items())
    return ", ".join(told) or "nothing varied"


def _brief(value: str) -> str:
    return value if number_of(value) is not None else value.rpartition("/")[2]


def margins_of(grade: Grade) -> dict[str, float]:
    """Margins of measures and robustness of rules, by name."""
    found = {one.name: one.margin for one in grade.measures if one.margin is not None}
    return found | {one.name: one.robustness for one in grade.rules if one.robustness is not None}


def moments_of(grade: Grade) -> dict[str, float]:
    """Flight time in s of the sample that decided each margin, by name."""
    found = {one.name: one.at_s for one in grade.measures if one.at_s is not None}
    return found | {one.name: one.at_s for one in grade.rules if one.at_s is not None}


@cache
def _loaded(scenario: Path) -> LoadedScenario:
    return load_scenario(scenario)

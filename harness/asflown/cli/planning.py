"""Which flights are flown: scenarios on vehicles, with seeds, in a fixed order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from asflown.cli.jobs import Job
from asflown.flight.operator import Operator
from asflown.flight.plan import ClockChoice, FlightPlan
from asflown.flight.preflight import Item, Preflight
from asflown.scenario.file import LoadedScenario
from asflown.scenario.model import Repeat, VehicleFile


@dataclass(frozen=True, slots=True)
class Subject:
    """One scenario on one vehicle, and the seeds it is flown with."""

    loaded: LoadedScenario
    vehicle: VehicleFile
    vehicle_asked: str | None
    """What the command line named; None for the scenario's own."""
    seeds: tuple[int, ...]
    rehearsal: Item | None = None
    """What the simulation said of a real vehicle's flight."""
    override: Callable[[Preflight], str] | None = None
    """Asks for the reason to fly although preflight says no."""
    operator: Operator | None = None
    """Who is asked before something real flies."""

    @property
    def title(self) -> str:
        """`palm80`, or `palm80@r2` where the command named a release."""
        asked = self.vehicle_asked or ""
        return asked if asked.startswith(f"{self.vehicle.name}@") else self.vehicle.name


def seeds_for(repeat: Repeat, flights: int | None, first_seed: int | None) -> tuple[int, ...]:
    """The seeds of a scenario's flights: the scenario's own, unless the command says where to begin.

    Where more flights are wanted than the scenario has seeds, further seeds count up from its highest.
    """
    wanted = flights or max(repeat.flights, 1)
    if first_seed is not None:
        return tuple(range(first_seed, first_seed + wanted))
    seeds = list(repeat.seeds[:wanted])
    next_seed = max(seeds, default=0) + 1
    return (*seeds, *range(next_seed, next_seed + wanted - len(seeds)))


def jobs_for(
    subjects: tuple[Subject, ...], clock: ClockChoice, keep: Path, *, prove: bool, sandbox: bool = False
) -> tuple[Job, ...]:
    """One job for each flight, scenario by scenario; a copy right behind the first flight of each when proving."""
    jobs: list[Job] = []
    for index, subject in enumerate(subjects):
        for number, seed in enumerate(subject.seeds):
            plan = FlightPlan(
                subject.loaded,
                subject.vehicle,
                seed,
                clock,
                keep,
                subject.vehicle_asked,
                subject.rehearsal,
                subject.override,
                subject.operator,
                sandbox,
            )
            jobs.append(Job(len(jobs), index, plan))
            if prove and number == 0:
                jobs.append(Job(len(jobs), index, plan, is_copy=True))
    return tuple(jobs)

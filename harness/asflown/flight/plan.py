"""What the conductor is asked to fly, and what it gives back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from asflown.flight.along import Along
from asflown.flight.operator import Operator
from asflown.flight.preflight import Item, Preflight
from asflown.record.manifest import Manifest
from asflown.scenario.file import LoadedScenario
from asflown.scenario.model import VehicleFile

ClockChoice = Literal["any", "lockstep", "paced"]


@dataclass(frozen=True, slots=True)
class FlightPlan:
    """One flight: a scenario, a vehicle, a seed, a clock, and the folder that flights go into."""

    loaded: LoadedScenario
    vehicle: VehicleFile
    seed: int
    clock: ClockChoice
    """`any`: what the scenario says."""
    keep: Path
    vehicle_asked: str | None = None
    """What the command line named as the vehicle; None for the scenario's own."""
    rehearsal: Item | None = None
    """What the simulation said before; then a real vehicle is looked at before it flies. None: it is not."""
    override: Callable[[Preflight], str] | None = None
    """Asks a person for the reason to fly although preflight says no; '' is no reason."""
    operator: Operator | None = None
    """Who is asked before something real flies; without one, only an unattended bench rig does."""
    sandbox: bool = False
    """Whether the script is started behind walls, see flight/sandbox.py."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a flight is; height and distance about the start point, by the vehicle's estimate."""

    phase: Literal["preparing", "flying", "ending"]
    flight_time_s: float
    height_m: float
    distance_m: float
    along: Along | None = None
    """On which leg it is; None without a path, and before it armed."""
    frames_lost: int | None = None
    """By the emulated radio, both ways; None where a real one does that."""
    silent_s: float | None = None
    """Age of the last position that was heard; None before the first."""


@dataclass(frozen=True, slots=True)
class FlightResult:
    """A flight that ended, however it ended."""

    folder: Path
    manifest: Manifest


ProgressCallback = Callable[[Progress], None]


def unwatched(_at: Progress) -> None:
    """Nobody watches: given as the callback, it saves the work of finding out how far a flight is."""

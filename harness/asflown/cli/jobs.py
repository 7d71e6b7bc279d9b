"""A flight to be flown, and what became of it: what passes between the command and its workers."""

from __future__ import annotations

from dataclasses import dataclass

from asflown.flight.plan import FlightPlan
from asflown.report.flown import Flown


@dataclass(frozen=True, slots=True)
class Job:
    """One flight to be flown."""

    number: int
    """Running number over the whole run."""
    subject: int
    """Which of the subjects it belongs to."""
    plan: FlightPlan
    is_copy: bool = False
    """Flown again to be compared with the first: a copy, not a sample, so it counts in no verdict."""

    @property
    def title(self) -> str:
        """`nest-boxes on palm80, seed 7`."""
        again = ", once more" if self.is_copy else ""
        return f"{self.plan.loaded.scenario.name} on {self.plan.vehicle.name}, seed {self.plan.seed}{again}"


@dataclass(frozen=True, slots=True)
class JobResult:
    """What became of a job: a flight with its folder, or the reason why there is none."""

    number: int
    flown: Flown | None
    failure: str = ""

    @property
    def is_error(self) -> bool:
        """Whether the flight could not be carried out, which says nothing about the script."""
        return self.flown is None or self.flown.verdict == "error"

    @property
    def in_words(self) -> str:
        """Why there is no verdict, and where what was recorded lies."""
        return self.failure if self.flown is None else f"{self.flown.reason} ({self.flown.folder})"

"""The firmware matrix: scenarios against vehicles or releases, each cell with its verdict and its change.

Every cell is compared with that of the first vehicle in the same scenario. A cell without flights says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from asflown.change.compare import compare
from asflown.change.findings import Comparison
from asflown.change.sets import FlightSet, Kind, load_set
from asflown.errors import UsageError
from asflown.grade.result import VerdictWord
from asflown.grade.verdict import worst


@dataclass(frozen=True, slots=True)
class Cell:
    """One scenario on one vehicle."""

    scenario: str
    vehicle: str
    verdict: VerdictWord
    passed: int
    flights: int
    change: Comparison | None
    """Against the first vehicle; None for that one itself, and where one of both has no flights."""


@dataclass(frozen=True, slots=True)
class Flown:
    """What goes into a cell."""

    scenario: str
    vehicle: str
    verdict: VerdictWord
    flights: FlightSet | None
    """None when none could be carried out."""


@dataclass(frozen=True, slots=True)
class Matrix:
    """Rows are scenarios, columns vehicles, both in the order in which they were asked for."""

    scenarios: tuple[str, ...]
    vehicles: tuple[str, ...]
    cells: tuple[Cell, ...]

    def at(self, scenario: str, vehicle: str) -> Cell | None:
        """The cell of a scenario and a vehicle; None where nothing was asked for."""
        found = (one for one in self.cells if (one.scenario, one.vehicle) == (scenario, vehicle))
        return next(found, None)


def make_matrix(flown: Sequence[Flown]) -> Matrix:
    """The matrix of what was flown; compares captures, which takes its time. Raises FolderProblem."""
    scenarios = tuple(dict.fromkeys(one.scenario for one in flown))
    vehicles = tuple(dict.fromkeys(one.vehicle for one in flown))
    first = {one.scenario: one for one in reversed(flown)}
    return Matrix(scenarios, vehicles, tuple(_cell(one, first[one.scenario]) for one in flown))


def recorded(kinds: Sequence[Kind], store: Path) -> list[Flown]:
    """What a store has of these kinds: the flights of the newest state of each, in order; none that was not flown."""
    found = []
    for kind in kinds:
        vehicle = f"{kind.vehicle}@{kind.release}" if kind.release else kind.vehicle
        try:
            flights = load_set((f"{kind.scenario}/{vehicle}",), store)
        except UsageError:
            continue
        if flights.kind == kind:  # of two clocks, the one that was flown last
            found.append(Flown(kind.scenario, vehicle, worst(one.grade.verdict for one in flights), flights))
    return found


def _cell(one: Flown, first: Flown) -> Cell:
    flights = one.flights
    passed = 0 if flights is None else sum(flight.grade.verdict == "pass" for flight in flights)
    change = None
    if one is not first and flights is not None and first.flights is not None:
        change = compare(first.flights, flights)
    number = 0 if flights is None else len(flights)
    return Cell(one.scenario, one.vehicle, one.verdict, passed, number, change)

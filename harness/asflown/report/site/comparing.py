"""Which sets of flights of a site belong side by side, and what the comparison of two sets shows best.

A scenario's first vehicle and release is what all others are compared with; and the newest state of each kind of
flights (script, scenario file, parameters) with the state before it. Newer states replace older ones, so that a page
that is made every night tells what changed last.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from asflown.change import twins
from asflown.change.findings import Comparison
from asflown.change.sets import NOT_FLOWN, FlightSet, FlownFlight, Kind, make_set
from asflown.errors import AsflownError
from asflown.report.flown import Flown, ScenarioOutcome

MOST_FLIGHTS = 20
"""Of a side, the newest: a nightly site grows, and twenty find small changes."""
MOST_PAIRS = 60


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison, and the sets that it is of."""

    found: Comparison
    a: FlightSet
    b: FlightSet


_State = tuple[object, ...]


def shown_pair(compared: Compared) -> tuple[FlownFlight, FlownFlight]:
    """The pair of flights that shows a comparison best: twins where there are, those whose margins differ most."""
    a, b = compared.a, compared.b
    pairs = twins.pairs(a, b) or list(zip(a, b, strict=False))
    return max(pairs, key=lambda pair: abs(least_margin(pair[0]) - least_margin(pair[1])))


def least_margin(flight: FlownFlight) -> float:
    """The smallest margin of a flight's measures and rules, between -1 and 1; 1 where nothing was measured."""
    grade = flight.grade
    found = [one.margin for one in grade.measures] + [one.robustness for one in grade.rules]
    return max(-1.0, min([one for one in found if one is not None], default=1.0))


def pairs_of(outcomes: Sequence[ScenarioOutcome]) -> list[tuple[FlightSet, FlightSet]]:
    """The sets that these flights ask to be compared, in the order of their scenarios."""
    by_scenario: dict[str, list[FlownFlight]] = {}
    for outcome in outcomes:
        flights = by_scenario.setdefault(outcome.name, [])
        flights += [_as_flight(one) for one in outcome.flights if _was_flown(one)]
    return [pair for flights in by_scenario.values() for pair in _pairs_of_scenario(flights)][:MOST_PAIRS]


def _pairs_of_scenario(flights: list[FlownFlight]) -> Iterator[tuple[FlightSet, FlightSet]]:
    """The first kind against each other one, then each kind's newest state against the one before."""
    by_kind = [_sets_of(kind, [one for one in flights if one.kind == kind]) for kind in _kinds(flights)]
    known = [sets for sets in by_kind if sets]
    yield from ((known[0][-1], sets[-1]) for sets in known[1:])
    for sets in known:
        if len(sets) > 1:
            before, now = sets[-2:]
            yield replace(before, name=f"{before.name} before"), replace(now, name=f"{now.name} now")


def _kinds(flights: Sequence[FlownFlight]) -> list[Kind]:
    """Kinds, those first that were flown first; a vehicle's releases stand beside each other."""
    ordered = sorted(flights, key=lambda one: (one.manifest.started_utc, one.folder.name))
    vehicles = list(dict.fromkeys(one.kind.vehicle for one in ordered))
    kinds = dict.fromkeys(one.kind for one in ordered)
    return sorted(kinds, key=lambda kind: (kind.clock, vehicles.index(kind.vehicle)))


def _states(flights: Sequence[FlownFlight]) -> list[list[FlownFlight]]:
    """Flights that repeat each other, the oldest such state first."""
    gathered: dict[_State, list[FlownFlight]] = {}
    for one in sorted(flights, key=lambda one: (one.manifest.started_utc, one.folder.name)):
        manifest = one.manifest
        state = manifest.scenario_sha256, manifest.script_sha256, manifest.vehicle.parameters_sha256
        gathered.setdefault(state, []).append(one)
    return sorted(gathered.values(), key=lambda those: those[-1].manifest.started_utc)


def _sets_of(kind: Kind, flights: Sequence[FlownFlight]) -> list[FlightSet]:
    """The last two states of a kind, the newest last; a state of which no capture is whole is left out."""
    name = f"{kind.vehicle}@{kind.release}" if kind.release else kind.vehicle
    sets = []
    for state in _states(flights)[-2:]:
        try:
            made = make_set(name, state[-MOST_FLIGHTS:])
        except AsflownError:
            continue  # each flight's own page says why
        if len(state) > MOST_FLIGHTS:
            made = replace(made, notes=(*made.notes, f"the newest {MOST_FLIGHTS} of {len(state)} flights"))
        sets.append(made)
    return sets


def _was_flown(flown: Flown) -> bool:
    return flown.grade is not None and flown.folder.is_dir() and flown.manifest.outcome not in NOT_FLOWN


def _as_flight(flown: Flown) -> FlownFlight:
    return FlownFlight(flown.folder, flown.manifest)

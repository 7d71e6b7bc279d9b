"""Makes a baseline from flights: statistics of each measure and rule, and a thinned mean path with its spread."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from asflown.change.baseline_model import (
    Baseline,
    Inputs,
    MeasureBaseline,
    PathPlace,
    RuleBaseline,
    in_shown_unit,
    key,
    places_for,
    shown_unit,
)
from asflown.change.response import laid
from asflown.change.sets import FlightSet, FlownFlight
from asflown.errors import UsageError
from asflown.frames import FloatArray
from asflown.grade.grade import sources_of
from asflown.record.manifest import Manifest
from asflown.record.series import Source
from asflown.scenario.model import Rule, Scenario

HASH_DIGITS = 12
STEPS = 4
"""A leg is kept at its ends and at three places between them; a hold at one."""


def make_baseline(flights: FlightSet) -> Baseline:
    """The baseline of a set of flights with unequal seeds.

    Raises UsageError when they were not all given the same, their scenario is gone, or not all of them passed.
    """
    scenario = _scenario(flights)
    _check(flights)
    first = flights.flights[0].manifest
    expect = scenario.expect
    sources = sources_of(expect)
    return Baseline(
        asflown=1,
        scenario=flights.kind.scenario,
        vehicle=flights.kind.vehicle,
        release=flights.kind.release,
        clock=flights.kind.clock,
        judge=judge_text(scenario),
        source=expect.source,
        seeds=tuple(sorted(flights.seeds)),
        inputs=Inputs(
            script=first.script_sha256[:HASH_DIGITS],
            parameters=(first.vehicle.parameters_sha256 or "")[:HASH_DIGITS],
        ),
        measures=_measures(flights, scenario, sources),
        rules=_rules(flights, scenario, sources),
        path=_path(flights, sources[0]),
    )


def _scenario(flights: FlightSet) -> Scenario:
    scenario = flights.flights[0].scenario
    if scenario is None:
        raise UsageError(
            f"the scenario of {flights.name} is not where it was flown", "Go to the folder it was flown from"
        )
    return scenario


_ALL_EQUAL: tuple[tuple[str, Callable[[Manifest], object]], ...] = (
    ("scripts", lambda one: one.script_sha256),
    ("expectations", lambda one: one.expectations_sha256),
    ("sets of parameters", lambda one: one.vehicle.parameters_sha256),
)


def _check(flights: FlightSet) -> None:
    for what, of in _ALL_EQUAL:
        if len({of(one.manifest) for one in flights}) > 1:
            raise UsageError(f"the flights of {flights.name} had different {what}", "Name those of one state")
    if len(set(flights.seeds)) < len(flights):
        raise UsageError(f"seeds occur twice in {flights.name}", "Fly each flight with a seed of its own")
    failed = [one for one in flights if one.grade.verdict != "pass"]
    if failed:
        raise UsageError(
            f"{len(failed)} of {len(flights)} flights did not pass (first: {failed[0].folder})",
            "Mend what failed first: a baseline holds what is right",
        )


def judge_text(scenario: Scenario) -> str:
    """`every-flight`, or `share 0.9 at 0.9`."""
    judge = scenario.judge
    return judge if isinstance(judge, str) else f"share {judge.share:g} at {judge.confidence:g}"


def rule_text(rule: Rule) -> str:
    """All that a rule demands, on one line."""
    body = f"always ({rule.always})" if rule.always is not None else rule.formula or ""
    lets = "".join(f"; {name} = {text}" for name, text in sorted(rule.let.items()))
    return " ".join(f"{body}{lets}".split())


def _measures(
    flights: FlightSet, scenario: Scenario, sources: Sequence[Source]
) -> dict[str, MeasureBaseline]:
    found = {}
    for source in sources:
        for name, limit in scenario.expect.measures.items():
            values = values_by_seed(flights, name, source)
            if not values:
                continue
            unit, factor = shown_unit(_unit(flights, name, source))
            allowed = in_shown_unit(limit, factor)
            places = places_for(allowed)
            shown = {seed: value * factor for seed, value in values.items()}
            numbers = np.array(list(shown.values()))
            found[key(name, source, scenario.expect.source)] = MeasureBaseline(
                unit=unit,
                allowed=allowed,
                mean=round(float(numbers.mean()), places),
                deviation=round(float(numbers.std(ddof=1)) if len(numbers) > 1 else 0.0, places),
                flights={f"seed {seed}": round(value, places) for seed, value in shown.items()},
            )
    return found


def values_by_seed(flights: FlightSet, name: str, source: Source) -> dict[int, float]:
    """A measure in each flight that could measure it, SI."""
    found = ((one.manifest.seed, one.measured(name, source)) for one in flights)
    return {seed: one.value for seed, one in found if one is not None and one.value is not None}


def _unit(flights: FlightSet, name: str, source: Source) -> str:
    return next(one.unit for flight in flights if (one := flight.measured(name, source)) is not None)


def _rules(flights: FlightSet, scenario: Scenario, sources: Sequence[Source]) -> dict[str, RuleBaseline]:
    found = {}
    for source in sources:
        for rule in scenario.expect.rules:
            margins = [
                graded.robustness
                for flight in flights
                for graded in flight.grade.rules
                if graded.name == rule.name and graded.source == source and graded.robustness is not None
            ]
            lowest = round(min(margins), 2) if margins else None
            name = key(rule.name, source, scenario.expect.source)
            found[name] = RuleBaseline(formula=rule_text(rule), lowest=lowest)
    return found


Places = Mapping[str, tuple[FloatArray, FloatArray]]
"""By the leg's name: shares of its length, shape (p,), and where a flight was there, shape (p, 3); NaN where never."""


def places_of(flight: FlownFlight, source: Source) -> Places:
    """Where a flight was at a few places of each leg; empty where it cannot be laid on a path."""
    found = laid(flight, source)
    if found is None or found.matched is None:
        return {}
    places = {}
    for leg in found.matched.legs:
        points = leg.leg.points(max(leg.leg.length_m() / STEPS, 1e-3))
        at = np.linspace(0.0, 1.0, len(points)) if len(points) > 1 else np.array([1.0])
        flown = found.matched.on(leg).values
        where = np.full((len(points), 3), np.nan)
        if len(flown):
            nearest = np.linalg.norm(flown[:, None] - points[None], axis=-1).argmin(axis=1)
            for place in np.unique(nearest):
                where[place] = flown[nearest == place].mean(axis=0)
        places[leg.leg.name] = (at, where)
    return places


def _path(flights: FlightSet, source: Source) -> dict[str, tuple[PathPlace, ...]]:
    flown = [places_of(one, source) for one in flights]
    if not all(flown):
        return {}
    found = {}
    for name, (at, _) in flown[0].items():
        where = np.stack([one[name][1] for one in flown])
        mean = where.mean(axis=0)  # NaN where a flight did not pass: that place is left out
        apart = np.linalg.norm(where - mean, axis=-1).max(axis=0)
        alone = apart * len(flown) / max(len(flown) - 1, 1)  # from the mean of the others
        found[name] = tuple(
            PathPlace(at=round(float(share), 2), **_rounded(xyu), within=round(float(far), 2))
            for share, xyu, far in zip(at, mean, alone, strict=True)
            if np.isfinite(xyu).all()
        )
    return {name: places for name, places in found.items() if places}


def _rounded(xyu: FloatArray) -> dict[str, float]:
    return {name: round(float(value), 2) for name, value in zip(("x", "y", "up"), xyu, strict=True)}

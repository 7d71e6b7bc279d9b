"""Holds flights against a baseline: what changed by more than chance and its band, and what the scenario loosened.

Flights in lockstep with seeds that the baseline has are judged seed by seed, as twins; others as independent samples
that spread alike.
The path is held against the mean path of the baseline: where every flight is farther from it than any of the
baseline's own flights was from the others, how likely that is by chance is counted exactly. The chance of any false
'changed' is MEASURES_LEVEL and PATH_LEVEL together. A limit wider than at approval is a change of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from asflown.change.baseline_make import HASH_DIGITS, judge_text, places_of, rule_text, values_by_seed
from asflown.change.baseline_model import (
    Baseline,
    MeasureBaseline,
    in_shown_unit,
    key,
    places_for,
    shown_unit,
)
from asflown.change.findings import Conclusion, MeasureChange
from asflown.change.judge import Difference
from asflown.change.measure_change import BAND_SHARE, band_of, change_of, told
from asflown.change.samples import Sample, sample
from asflown.change.sets import FlightSet
from asflown.change.words import count, listing
from asflown.errors import UsageError
from asflown.grade.grade import sources_of
from asflown.grade.statistics import holm
from asflown.record.series import Source
from asflown.scenario.model import Expect, Limit, Scenario

ROUNDING = 1e-9
"""Of a number's size: less does not count as spread."""
FEWEST_FOR_PATH = 3
MEASURES_LEVEL, PATH_LEVEL = 0.02, 0.01
"""Chance of any false 'changed' over all measures, and of the path."""
PATH_M = 0.1
"""Nearer than this to the baseline's path is no change of path."""


@dataclass(frozen=True, slots=True)
class PathChange:
    """Where the path is another one than the baseline's."""

    leg: str
    at: float
    """Share of the leg's length."""
    apart_m: float
    within_m: float
    """What the baseline's own flights kept to."""


@dataclass(frozen=True, slots=True)
class AgainstBaseline:
    """Flights held against a baseline."""

    baseline: str
    """Its title."""
    flights: int
    paired: bool
    """Judged seed by seed."""
    conclusion: Conclusion
    statement: str
    measures: tuple[MeasureChange, ...]
    path: PathChange | None
    loosened: tuple[str, ...]
    """Tolerances that are wider than at approval, in plain words."""
    inputs: tuple[str, ...]
    """What the flights were given that the baseline's were not; a reason, and no change by itself."""


def judge_against(baseline: Baseline, flights: FlightSet) -> AgainstBaseline:
    """What changed since the baseline. Raises UsageError where it is not of this scenario, vehicle and clock."""
    _check(baseline, flights)
    scenario = flights.flights[0].scenario
    loosened = () if scenario is None else tuple(loosened_since(baseline, scenario))
    paired = flights.kind.clock == "lockstep" and set(flights.seeds) <= set(baseline.seeds)
    changes = _measures(baseline, flights, paired=paired)
    path = None if scenario is None else _path(baseline, flights, sources_of(scenario.expect)[0])
    conclusion, statement = _concluded(changes, path, loosened)
    return AgainstBaseline(
        baseline.title, len(flights), paired, conclusion, statement, changes, path, loosened,
        tuple(_inputs(baseline, flights)),
    )  # fmt: skip


def _check(baseline: Baseline, flights: FlightSet) -> None:
    theirs = (baseline.scenario, baseline.vehicle, baseline.clock)
    ours = (flights.kind.scenario, flights.kind.vehicle, flights.kind.clock)
    if theirs != ours:
        raise UsageError(
            f"the baseline {baseline.title}, {baseline.clock}, does not belong to flights of {flights.kind}",
            "Flights are held against a baseline of the same scenario, vehicle and clock",
        )


def _inputs(baseline: Baseline, flights: FlightSet) -> Iterator[str]:
    first = flights.flights[0].manifest
    if flights.kind.release != baseline.release:
        yield f"release {flights.kind.release or 'unknown'} instead of {baseline.release or 'unknown'}"
    if first.script_sha256[:HASH_DIGITS] != baseline.inputs.script:
        yield "the script or something in its folder changed"
    if (first.vehicle.parameters_sha256 or "")[:HASH_DIGITS] != baseline.inputs.parameters:
        yield "the vehicle's parameters changed"


@dataclass(frozen=True, slots=True)
class _Tested:
    sample: Sample
    source: Source
    band: float | None
    p_changed: float


def _measures(baseline: Baseline, flights: FlightSet, *, paired: bool) -> tuple[MeasureChange, ...]:
    tested = [
        one
        for name, source in flights.measures()
        if (kept := baseline.measures.get(key(name, source, baseline.source))) is not None
        if (one := _tested(name, source, kept, flights, paired=paired)) is not None
    ]
    adjusted = holm([one.p_changed for one in tested])
    return tuple(
        change_of(one.sample, one.source, one.band, len(tested), is_changed=p_value <= MEASURES_LEVEL)
        for one, p_value in zip(tested, adjusted, strict=True)
    )


def _band(name: str, kept: MeasureBaseline) -> float | None:
    """In SI, by the limit at approval: what is loosened later widens no band."""
    band = band_of(name, kept.allowed, {}, BAND_SHARE)
    return None if band is None else band / _factor(kept.unit)


def _factor(unit: str) -> float:
    return next(
        (factor for si in ("rad", "rad/s") if (shown := shown_unit(si))[0] == unit and (factor := shown[1])),
        1.0,
    )


def _tested(
    name: str, source: Source, kept: MeasureBaseline, flights: FlightSet, *, paired: bool
) -> _Tested | None:
    """The baseline's values and those of the flights, rounded alike; None where the flights have none.

    Pairs find small changes that all flights share; all of the baseline's flights together find large ones that vary
    from flight to flight, of which few pairs say little. With pairs both are looked at, so each counts half.
    """
    factor, places = _factor(kept.unit), places_for(kept.allowed)
    now = {
        seed: round(value * factor, places) / factor
        for seed, value in values_by_seed(flights, name, source).items()
    }
    before = {seed: value / factor for seed, value in kept.by_seed().items()}
    if not now or not before:
        return None
    unit = next((si for si in ("rad", "rad/s") if shown_unit(si)[0] == kept.unit), kept.unit)
    band = _band(name, kept)
    pooled = _pooled(list(before.values()), list(now.values()))
    seeds = [seed for seed in sorted(now) if seed in before] if paired else []
    if len(seeds) > 1 or (seeds and before[seeds[0]] == now[seeds[0]]):
        pairs = sample(name, unit, [before[one] for one in seeds], [now[one] for one in seeds], twins=True)
        return _Tested(pairs, source, band, min(1.0, 2 * min(_p(pairs.difference), _p(pooled))))
    independent = Sample(name, unit, list(before.values()), list(now.values()), pooled)
    return _Tested(independent, source, band, _p(pooled))


def _p(difference: Difference | None) -> float:
    return 1.0 if difference is None else difference.p_changed()


def _pooled(before: Sequence[float], now: Sequence[float]) -> Difference | None:
    """The difference of means, both sides taken to spread alike, as they do when nothing changed; one flight will do.

    Welch's test would be wrong three times as often as stated here: a nightly run has three flights, whose spread may
    come out tiny by chance, and would then stand for all of them.
    """
    free = len(before) + len(now) - 2
    if free < 1 or len(before) < 2:
        return None
    squares = sum(float(np.var(side)) * len(side) for side in (before, now))
    mean = float(np.mean(now) - np.mean(before))
    error = math.sqrt(squares / free * (1 / len(before) + 1 / len(now)))
    smallest = ROUNDING * max(map(abs, (*before, *now)))
    if error <= smallest:
        return Difference(mean if abs(mean) > smallest else 0.0, 0.0, math.inf)
    return Difference(mean, error, free)


def loosened_since(baseline: Baseline, scenario: Scenario) -> Iterator[str]:
    """What the scenario demands less of than at approval."""
    expect = scenario.expect
    for name, kept in sorted(baseline.measures.items()):
        bare = name.partition(" (")[0]
        now = expect.measures.get(bare)
        if now is None:
            yield f"`{bare}` is not checked any more"
        else:
            shown = in_shown_unit(now, _factor(kept.unit))
            if is_wider(kept.allowed, shown):
                yield f"`{bare}` allows {limit_text(shown)} {kept.unit}, it was {limit_text(kept.allowed)} {kept.unit}"
    yield from _rules_loosened(baseline, expect)
    if baseline.judge == "every-flight" and judge_text(scenario) != "every-flight":
        yield f"not every flight must pass any more: judge is {judge_text(scenario)}"
    if baseline.source == "both" and expect.source != "both":
        yield f"only the {expect.source} is graded, it was both tracks"


def _rules_loosened(baseline: Baseline, expect: Expect) -> Iterator[str]:
    now = {rule.name: rule_text(rule) for rule in expect.rules}
    for name, kept in sorted(baseline.rules.items()):
        bare = name.partition(" (")[0] if baseline.source == "both" else name
        if bare not in now:
            yield f"rule `{bare}` is not checked any more"
        elif now[bare] != kept.formula:
            yield f"rule `{bare}` demands something else: {now[bare]}, it was {kept.formula}"


def is_wider(before: Limit, now: Limit) -> bool:
    """Whether `now` allows anything that `before` did not."""
    return _top(now) > _top(before) or _bottom(now) < _bottom(before)


def _top(limit: Limit) -> float:
    if limit.between is not None:
        return limit.between[1]
    return np.inf if limit.at_most is None else limit.at_most


def _bottom(limit: Limit) -> float:
    if limit.between is not None:
        return limit.between[0]
    return -np.inf if limit.at_least is None else limit.at_least


def limit_text(limit: Limit) -> str:
    """`at most 0.8`, `30 to 90`."""
    if limit.between is not None:
        return f"{limit.between[0]:g} to {limit.between[1]:g}"
    if limit.at_most is not None:
        return f"at most {limit.at_most:g}"
    return f"at least {limit.at_least:g}"


def _path(baseline: Baseline, flights: FlightSet, source: Source) -> PathChange | None:
    """Where all flights left the baseline's path, and farthest, if that is more than chance; else None."""
    number = sum(len(places) for places in baseline.path.values())
    few = min(len(flights), len(baseline.seeds)) < FEWEST_FOR_PATH
    if not number or few or number * _chance(len(baseline.seeds), len(flights)) > PATH_LEVEL:
        return None
    flown = [places_of(one, source) for one in flights]
    farthest: PathChange | None = None
    for name, places in baseline.path.items():
        if not all(name in one for one in flown):
            continue
        for kept in places:
            off_m = [_off(one[name], kept.at, (kept.x, kept.y, kept.up)) for one in flown]
            if min(off_m) <= max(kept.within, PATH_M):
                continue
            apart_m = float(np.mean(off_m))
            if farthest is None or apart_m > farthest.apart_m:
                farthest = PathChange(name, kept.at, apart_m, kept.within)
    return farthest


def _chance(before: int, now: int) -> float:
    """How likely all `now` flights are farther out than all `before`, when they fly alike: one order of all."""
    return 1 / math.comb(before + now, now)


def _off(flown: tuple[np.ndarray, np.ndarray], at: float, xyu_m: tuple[float, float, float]) -> float:
    """How far a flight was from a place; 0 where it has no sample there."""
    shares, where = flown
    found = where[int(np.abs(shares - at).argmin())]
    return float(np.linalg.norm(found - np.array(xyu_m))) if np.isfinite(found).all() else 0.0


def _concluded(
    changes: Sequence[MeasureChange], path: PathChange | None, loosened: Sequence[str]
) -> tuple[Conclusion, str]:
    moved = [one for one in changes if one.word == "changed"]
    parts = [told(one) for one in moved[:3]]
    if len(moved) > 3:
        parts.append(f"{len(moved) - 3} more")
    if path is not None:
        parts.append(f"the path on {path.leg}, by {path.apart_m:.2f} m")
    says = [f"changed: {listing(parts, len(parts))}"] if parts else []
    if loosened:
        says.append(f"{count(len(loosened), 'tolerance')} wider than at approval")
    if says:
        return "different", "; ".join(says)
    unsure = [one.name for one in changes if one.word == "undecided"]
    if unsure:
        return "inconclusive", f"no change found; too few flights to show that {listing(unsure, 3)} stayed"
    if not changes:
        return "inconclusive", "nothing was measured that the baseline knows"
    if all(one.word == "same" for one in changes):
        return "same", "the same values, seed by seed"
    return "same", "no change, as far as the bands go"

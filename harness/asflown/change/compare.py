"""Compares two sets of flights: what differs, what of it came first, and whether it is more than noise.

The uplink comes first, then the response. Twins (equal seeds in lockstep) are followed to the frame at which they
part; all else is decided by tests whose error is held over the whole comparison (`samples`). Flights on different
clocks enter no common statistic: each side keeps its own, and words compare them (`sides`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from asflown.change import twins
from asflown.change.causes import Clues, in_order_of_cause
from asflown.change.findings import (
    Cause,
    Comparison,
    Conclusion,
    Finding,
    MeasureChange,
    SideOfComparison,
)
from asflown.change.given import given_differences
from asflown.change.measure_change import BAND_SHARE, compare_measures
from asflown.change.observed import OBSERVABLES, seen
from asflown.change.response import apart, laid, leg_at, twins_apart
from asflown.change.samples import Family, Sample, changed, sample
from asflown.change.sets import FlightSet, FlownFlight
from asflown.change.sides import compare_sides, lie_apart
from asflown.change.uplink_change import compare_uplinks
from asflown.change.verdicts import verdict_change
from asflown.change.words import count, listing, quantity
from asflown.record.series import Source


@dataclass(frozen=True, slots=True)
class Bands:
    """How large a change of a measure counts as none: half widths in SI, by name, else a share of its limit."""

    by_name: Mapping[str, float] = field(default_factory=dict)
    share: float = BAND_SHARE


def compare(a: FlightSet, b: FlightSet, bands: Bands | None = None, *, blind: bool = False) -> Comparison:
    """Compares B with A. With `blind`, nothing that the flights were given is looked at, only what they recorded.

    Raises FolderProblem when a flight can be neither read nor graded.
    """
    bands = bands or Bands()
    pairs = [] if blind else twins.pairs(a, b)
    if pairs and len(pairs) == min(len(a), len(b)):
        a, b = _only_twins(a, pairs, 0), _only_twins(b, pairs, 1)
    as_twins = len(pairs) == len(a) == len(b)
    given = [] if blind else given_differences(a, b)
    if as_twins and all(twins.are_equal(one, other) for one, other in pairs):
        measures = compare_measures(a, b, bands.by_name, bands.share, twins=True)
        return _told(
            a, b, [_all_equal(len(pairs)), *given], measures, _method(a, b, as_twins=True), pairs_equal=True
        )
    if a.kind.clock != b.kind.clock:
        measures = compare_sides(a, b, bands.by_name, bands.share)
    else:
        measures = compare_measures(a, b, bands.by_name, bands.share, twins=as_twins)
    clues = _clues(a, b, measures, given, pairs=pairs, as_twins=as_twins)
    found = in_order_of_cause(clues)
    moved = clues.verdicts is not None and clues.verdicts.decides
    return _told(a, b, found, measures, _method(a, b, as_twins=as_twins), verdicts=moved)


def _only_twins(side: FlightSet, pairs: list[tuple[FlownFlight, FlownFlight]], place: int) -> FlightSet:
    """The flights of a set that have a twin; where the other set has no more, those say most."""
    flights = tuple(pair[place] for pair in pairs)
    left_out = len(side) - len(flights)
    if not left_out:
        return side
    note = f"{count(left_out, 'flight')} without a twin on the other side left out"
    return replace(side, flights=flights, notes=(*side.notes, note))


def _source(a: FlightSet) -> Source:
    """The source that A's measures are taken from; the estimate without measures."""
    named = a.measures()
    return named[0][1] if named else "estimate"


def _all_equal(pairs: int) -> Finding:
    says = (
        "the two are equal to the last byte"
        if pairs == 1
        else f"{pairs} pairs of twins, each equal to the last byte"
    )
    return Finding(Cause.NOTHING, says, "observed", "certain", "by the digest of everything recorded")


def _clues(
    a: FlightSet,
    b: FlightSet,
    measures: tuple[MeasureChange, ...],
    given: list[Finding],
    *,
    pairs: list[tuple[FlownFlight, FlownFlight]],
    as_twins: bool,
) -> Clues:
    source = _source(a)
    partings = tuple(twins.parting(one, other) for one, other in pairs)
    same_clock = a.kind.clock == b.kind.clock
    return Clues(
        given=tuple(given),
        partings=partings,
        decided=tuple(compare_uplinks(a, b, twins=as_twins, same_clock=same_clock)),
        observed=tuple(_observed(a, b, as_twins=as_twins, same_clock=same_clock)),
        measures=measures,
        verdicts=verdict_change(a, b, pairs if same_clock else ()),
        apart=twins_apart(*pairs[0], source) if pairs else apart(a.flights, b.flights, source),
        parting_leg=_parting_leg(pairs, partings, source),
        could_find=_could_find(measures),
    )


def _observed(a: FlightSet, b: FlightSet, *, as_twins: bool, same_clock: bool) -> list[tuple[Cause, Sample]]:
    found: list[tuple[Cause, Sample]] = []
    families: tuple[tuple[Family, Cause], ...] = (("link", Cause.LINK), ("surroundings", Cause.CONDITIONS))
    for family, cause in families:
        samples = [
            sample(
                what.name,
                what.unit,
                *([seen(one, what) for one in side] for side in (a, b)),
                twins=as_twins,
                matters_from=what.matters_from,
            )
            for what in OBSERVABLES
            if what.about == family
        ]
        moved = changed(samples, family) if same_clock else lie_apart(samples, family)
        found += [(cause, one) for one in moved]
    return found


def _parting_leg(
    pairs: list[tuple[FlownFlight, FlownFlight]], partings: tuple[twins.Parting | None, ...], source: Source
) -> str | None:
    """The leg that the first twins that part were on."""
    for (one, _), part in zip(pairs, partings, strict=True):
        if part is not None:
            return leg_at(laid(one, source), part.at_s)
    return None


def _could_find(measures: tuple[MeasureChange, ...]) -> str:
    """`a change of cross_track_p95 by 0.08 m would have been found four times in five`."""
    known = [one for one in measures if one.smallest_found]
    if not known:
        return ""
    parts = [f"{one.name} by {quantity(one.smallest_found or 0.0, one.unit)}" for one in known]
    return f"four times in five a change of {listing(parts, 3)} would have been found"


def _method(a: FlightSet, b: FlightSet, *, as_twins: bool) -> str:
    if a.kind.clock != b.kind.clock:
        return "in words: flights on different clocks enter no common statistic"
    if as_twins:
        return f"as {count(len(a), 'pair')} of twins: equal seeds in lockstep"
    if len(a) == len(b) == 1:
        return "as single flights: what differs is told, and not whether it is more than noise"
    return "as independent sets of flights"


def _told(
    a: FlightSet,
    b: FlightSet,
    findings: list[Finding],
    measures: tuple[MeasureChange, ...],
    method: str,
    *,
    pairs_equal: bool = False,
    verdicts: bool = False,
) -> Comparison:
    conclusion: Conclusion = "same" if pairs_equal else _conclusion(findings, measures)
    if verdicts:
        conclusion = "different"
    return Comparison(
        a=_side(a),
        b=_side(b),
        conclusion=conclusion,
        statement=_statement(conclusion, findings, measures, pairs_equal=pairs_equal),
        findings=tuple(findings),
        measures=measures,
        method=method,
        notes=_notes(a, b),
    )


def _conclusion(findings: list[Finding], measures: tuple[MeasureChange, ...]) -> Conclusion:
    """Different behaviour, equivalence that was shown, or neither."""
    seen = [one for one in findings if one.seen != "given" and one.confidence != "weak"]
    if any(one.cause is Cause.SCRIPT for one in seen) or any(one.word == "changed" for one in measures):
        return "different"
    if measures and all(one.word in {"same", "equivalent", "changed within the band"} for one in measures):
        return "same"
    told_by_path = set() if measures else {Cause.VEHICLE}
    if any(one.cause in {Cause.LINK, Cause.CONDITIONS} | told_by_path for one in seen):
        return "different"
    return "inconclusive"


def _statement(
    conclusion: Conclusion, findings: list[Finding], measures: tuple[MeasureChange, ...], *, pairs_equal: bool
) -> str:
    if pairs_equal:
        return "B is the same as A, to the last byte"
    if conclusion == "different":
        return f"B differs from A: {findings[0].cause.value}"
    if conclusion == "same":
        return f"B does as A does: {count(len(measures), 'measure')} equivalent within their bands"
    undecided = [one.name for one in measures if one.word == "undecided"]
    if not undecided:
        return "it is not decided whether B does as A does: the scenario has no measure to tell by"
    return f"it is not decided whether B does as A does: {listing(undecided, 3)} could still have changed"


def _side(one: FlightSet) -> SideOfComparison:
    verdicts = Counter(flight.grade.verdict for flight in one)
    graded = ", ".join(f"{number} {word}" for word, number in sorted(verdicts.items()))
    return SideOfComparison(one.name, str(one.kind), len(one), one.seeds, graded, one.notes)


def _notes(a: FlightSet, b: FlightSet) -> tuple[str, ...]:
    notes = [f"{name}: {note}" for name, side in (("A", a), ("B", b)) for note in side.notes]
    if a.kind.scenario != b.kind.scenario:
        notes.append(
            f"the scenarios differ: {a.kind.scenario} and {b.kind.scenario}; measures of both are compared"
        )
    shared = set(a.seeds) & set(b.seeds)
    if shared and a.kind.clock == b.kind.clock == "lockstep" and set(a.seeds) != set(b.seeds):
        notes.append(
            f"{count(len(shared), 'seed')} flown on both sides and others not: twins show what came first, "
            "and the tests take all flights for independent"
        )
    return tuple(notes)

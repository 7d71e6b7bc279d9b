"""How each measure changed between two sets on one clock: changed, equivalent within its band, or undecided.

The band is half of what counts as no difference. It is a share of the measure's own limit unless the user names one,
so that it is stated before flying and does not depend on what was flown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asflown.change.findings import ChangeWord, MeasureChange
from asflown.change.judge import Difference, flights_for_equivalence
from asflown.change.samples import LEVEL, SHARE, Numbers, Sample, changed, sample
from asflown.change.sets import FlightSet
from asflown.change.words import quantity
from asflown.grade.result import Measured
from asflown.record.series import Source
from asflown.scenario.model import Limit

BAND_SHARE = 0.1
"""Of a measure's limit: what counts as no difference, unless a band is named."""
ALL_OF_IT = 1.0


def band_of(name: str, limit: Limit, by_name: Mapping[str, float], share: float) -> float | None:
    """Half width of the band of a measure, in its SI unit; None where neither a band nor a limit says how large."""
    if name in by_name:
        return by_name[name]
    if limit.scale is not None:
        return share * limit.scale
    if limit.between is not None:
        return share * (limit.between[1] - limit.between[0]) / 2
    end = limit.at_most if limit.at_most is not None else limit.at_least
    return share * abs(end) if end else None


def numbers(side: FlightSet, name: str, source: Source) -> Numbers:
    """A measure's value in each flight; None where it was not measurable."""
    found = [flight.measured(name, source) for flight in side]
    return [None if one is None else one.value for one in found]


def named_in(a: FlightSet, b: FlightSet) -> list[tuple[str, Source, Measured]]:
    """The measures that both sides have, in the order of the scenario, each with A's own for unit and limit."""
    theirs = set(b.measures())
    found = []
    for name, source in a.measures():
        if (name, source) in theirs:
            one = next(kept for flight in a if (kept := flight.measured(name, source)) is not None)
            found.append((name, source, one))
    return found


@dataclass(frozen=True, slots=True)
class _Tested:
    sample: Sample
    source: Source
    band: float | None
    number: int
    """Of measures that are tested together."""


def compare_measures(
    a: FlightSet, b: FlightSet, by_name: Mapping[str, float], share: float, *, twins: bool
) -> tuple[MeasureChange, ...]:
    """The change of each measure; with `twins`, flights of equal place belong together."""
    named = named_in(a, b)
    tested = []
    for name, source, one in named:
        both = sample(name, one.unit, numbers(a, name, source), numbers(b, name, source), twins=twins)
        tested.append(_Tested(both, source, band_of(name, one.limit, by_name, share), len(named)))
    found = changed([one.sample for one in tested], "measures")
    return tuple(_change(one, one.sample in found) for one in tested)


def change_of(
    both: Sample, source: Source, band: float | None, number: int, *, is_changed: bool
) -> MeasureChange:
    """The change of one number of `number` that were tested together; `is_changed` is what that screen found."""
    return _change(_Tested(both, source, band, number), is_changed)


def _change(one: _Tested, is_changed: bool) -> MeasureChange:
    difference, band = one.sample.difference, one.band
    sides = [tuple(value for value in side if value is not None) for side in (one.sample.a, one.sample.b)]
    if difference is None:
        return _of_single_flights(one, sides[0], sides[1])
    p_equivalent = None if band is None else difference.p_equivalent(band)
    return MeasureChange(
        name=one.sample.name,
        unit=one.sample.unit,
        source=one.source,
        a=sides[0],
        b=sides[1],
        difference=difference.mean,
        interval=difference.interval(),
        band=band,
        p_changed=difference.p_changed(),
        p_equivalent=p_equivalent,
        word=_word(difference, is_changed, p_equivalent),
        smallest_found=difference.smallest_found(LEVEL * SHARE["measures"] / one.number),
        power=None if band is None else difference.power_of_equivalence(band),
        says=_needed(difference, band, min(len(sides[0]), len(sides[1]))),
    )


def _word(difference: Difference, is_changed: bool, p_equivalent: float | None) -> ChangeWord:
    equivalent = p_equivalent is not None and p_equivalent <= LEVEL
    if difference.mean == 0 and difference.standard_error == 0:
        return "same"
    if is_changed:
        return "changed within the band" if equivalent else "changed"
    return "equivalent" if equivalent else "undecided"


def _needed(difference: Difference, band: float | None, flights: int) -> str:
    """How many flights a side would show equivalence; empty where these do, or nothing says how large the band is."""
    if band is None or difference.standard_error == 0 or difference.p_equivalent(band) <= LEVEL:
        return ""
    if abs(difference.mean) >= band:
        return "what was seen is larger than the band; more flights would tell whether it is chance"
    needed = flights_for_equivalence(band, difference.standard_error * (flights / 2) ** 0.5)
    if needed is None or needed <= flights:
        return "what was seen is too near the end of the band for so few flights"
    return f"about {needed} flights a side would decide, had nothing changed"


def _of_single_flights(one: _Tested, a: tuple[float, ...], b: tuple[float, ...]) -> MeasureChange:
    """One flight on a side: how far apart they are, and not whether that is noise."""
    means = one.sample.means()
    difference = None if not a or not b else means[1] - means[0]
    word: ChangeWord = "same" if difference == 0 and len(a) == len(b) == 1 else "undecided"
    says = (
        "not measured on both sides"
        if difference is None
        else "one flight a side does not tell change from noise"
    )
    return MeasureChange(
        one.sample.name, one.sample.unit, one.source, a, b, difference, None, one.band, None, None, word, None, None,
        "" if word == "same" else says,
    )  # fmt: skip


def told(change: MeasureChange) -> str:
    """`cross_track_p95 0.19 m to 0.28 m (+0.09 m)`."""
    if change.difference is None or not change.a or not change.b:
        return f"{change.name} was not measured on both sides"
    one = sum(change.a) / len(change.a)
    return (
        f"{change.name} {quantity(one, change.unit)} to {quantity(one + change.difference, change.unit)} "
        f"({quantity(change.difference, change.unit, signed=True)})"
    )

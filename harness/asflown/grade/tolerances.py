"""Tolerance limits of measures over several flights: what that share of all flights keeps, judged from those there are.

Only where the scenario is judged by a share: it gives coverage and confidence, and says beforehand whether values may
be taken to be normal. Copies count once; each kind of flights stands by itself, as in the verdict.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from asflown.grade.result import Grade, Measured, Source
from asflown.grade.statistics.tolerance import Side, ToleranceLimits, flights_needed, tolerance_limits
from asflown.grade.verdict import JudgedFlight, by_kind, kind_in_words
from asflown.scenario.model import Limit, Share90
from asflown.units import format_quantity

Graded = tuple[JudgedFlight, Grade]


@dataclass(frozen=True, slots=True)
class MeasureTolerance:
    """What a share of all flights keeps of one measure; `limits` is None where that cannot be said."""

    name: str
    unit: str
    source: Source
    of: str
    """Which flights, where there are several kinds: `lockstep`, `r2`; else empty."""
    limits: ToleranceLimits | None
    says: str
    """`0.9 of all flights stay below 0.71 m (confidence 0.9, distribution-free, 24 flights)`."""


def measure_tolerances(
    flights: Sequence[Graded], judge: Literal["every-flight"] | Share90
) -> tuple[MeasureTolerance, ...]:
    """The tolerance limits of every measure of `flights`, in the scenario's order; none for `every-flight`."""
    if not isinstance(judge, Share90):
        return ()
    kinds = by_kind(flight for flight, _ in flights)
    return tuple(
        tolerance
        for kind in kinds
        for tolerance in _of_kind(
            samples([one for one in flights if one[0].kind == kind]), kind_in_words(kind, kinds), judge
        )
    )


def samples(flights: Sequence[Graded]) -> list[Grade]:
    """The grades of flights that are samples of their own: of copies the first, and none that was not flown."""
    seen: set[object] = set()
    samples = []
    for flight, grade in flights:
        if flight.verdict == "error" or flight.original in seen:
            continue
        if flight.original is not None:
            seen.add(flight.original)
        samples.append(grade)
    return samples


def _of_kind(grades: Sequence[Grade], of: str, judge: Share90) -> Iterator[MeasureTolerance]:
    measured: dict[tuple[str, Source], list[Measured]] = {}
    for grade in grades:
        for one in grade.measures:
            measured.setdefault((one.name, one.source), []).append(one)
    for those in measured.values():
        yield _tolerance(those, of, judge)


def _tolerance(measured: Sequence[Measured], of: str, judge: Share90) -> MeasureTolerance:
    first = measured[0]
    values = [one.value for one in measured if one.value is not None]
    side = side_of(first.limit)
    if len(values) < len(measured):
        missing = len(measured) - len(values)
        says = f"not measurable in {missing} of {len(measured)} flights, so no limit can be stated"
        return MeasureTolerance(first.name, first.unit, first.source, of, None, says)
    limits = tolerance_limits(values, judge.share, judge.confidence, side=side, way=judge.tolerance)
    says = _too_few(len(values), side, judge) if limits is None else in_words(limits, first.unit)
    return MeasureTolerance(first.name, first.unit, first.source, of, limits, says)


def side_of(limit: Limit) -> Side:
    """The side on which a measure is limited."""
    if limit.between is not None:
        return "both"
    return "upper" if limit.at_most is not None else "lower"


def in_words(limits: ToleranceLimits, unit: str) -> str:
    """`0.9 of all flights stay below 0.71 m (confidence 0.9, distribution-free, 24 flights)`."""
    low, high = (None if end is None else format_quantity(end, unit) for end in (limits.low, limits.high))
    if low is None:
        where = f"stay below {high}"
    else:
        where = f"stay above {low}" if high is None else f"lie between {low} and {high}"
    how = f"confidence {limits.confidence:.4g}, {limits.way}, {limits.flights} flights"
    return f"{limits.coverage:.4g} of all flights {where} ({how})"


def _too_few(flights: int, side: Side, judge: Share90) -> str:
    normal = judge.tolerance == "normal"
    needed = 2 if normal else flights_needed(judge.share, judge.confidence, side=side)
    return f"{flights} flight{' is' if flights == 1 else 's are'} too few for a limit, which takes {needed}"

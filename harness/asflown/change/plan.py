"""What a comparison could show, worked out before flying it: power and the number of flights, from flights there are.

Spread is that of one flight among the flights named. It is known no better than so many flights know it; plan with
some more than the number that comes out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from asflown.change.judge import WANTED_POWER, Difference
from asflown.change.measure_change import band_of
from asflown.change.samples import LEVEL, SHARE
from asflown.change.sets import FlightSet
from asflown.errors import UsageError
from asflown.grade.statistics import tost_flights, tost_power
from asflown.record.series import Source

FLIGHTS = (5, 10, 20)
"""Flights a side that a plan is made for."""


@dataclass(frozen=True, slots=True)
class MeasurePlan:
    """What flights of this spread could show of one measure; `power` and `smallest` are for FLIGHTS in order."""

    name: str
    unit: str
    source: Source
    spread: float
    band: float | None
    power: tuple[float, ...]
    """How likely equivalence within the band is shown, had nothing changed; empty without a band."""
    flights: int | None
    """Flights a side that show it four times in five; None where no sensible number does."""
    smallest: tuple[float, ...]
    """The smallest change that is found four times in five."""


def plan(flights: FlightSet, by_name: Mapping[str, float], share: float) -> tuple[MeasurePlan, ...]:
    """A plan for each measure of these flights. Raises UsageError for fewer than two of them."""
    if len(flights) < 2:
        raise UsageError(
            f"{flights.name} is one flight, which tells nothing of how much flights vary", "Name at least two"
        )
    named = flights.measures()
    return tuple(_of(flights, name, source, by_name, share, len(named)) for name, source in named)


def _of(
    flights: FlightSet, name: str, source: Source, by_name: Mapping[str, float], share: float, measures: int
) -> MeasurePlan:
    one = next(kept for flight in flights if (kept := flight.measured(name, source)) is not None)
    values = flights.values(name, source)
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    band = band_of(name, one.limit, by_name, share)
    varies = spread > 0 and band is not None
    level = LEVEL * SHARE["measures"] / measures
    return MeasurePlan(
        name=name,
        unit=one.unit,
        source=source,
        spread=spread,
        band=band,
        power=tuple(tost_power(n, band or 1.0, spread) for n in FLIGHTS) if varies else (),
        flights=tost_flights(WANTED_POWER, band or 1.0, spread) if varies else None,
        smallest=tuple(
            Difference(0.0, spread * (2 / n) ** 0.5, 2 * n - 2).smallest_found(level) for n in FLIGHTS
        ),
    )

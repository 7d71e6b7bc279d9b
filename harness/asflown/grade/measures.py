"""The table of measures, and how one is taken.

A measure is a function from the evidence and the limit to what was found, in SI units, in the axes of the
expected path and by the track's own source. A new one is a function, a row here, and its name in
scenario.measure_names. What cannot be measured has no value and says why: a number from too few samples would be
believed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from asflown.grade import flight_measures, leg_measures
from asflown.grade.evidence import Evidence, Sampling
from asflown.grade.found import Found
from asflown.grade.margin import margin
from asflown.grade.result import Measured, Source
from asflown.scenario.measure_names import MEASURES as NAMES
from asflown.scenario.model import Limit


@dataclass(frozen=True, slots=True)
class Row:
    """One measure of the table; without `needs` it does not depend on the rate of positions."""

    compute: Callable[[Evidence, Limit], Found]
    needs: Sampling | None


_MOST_OF_IT = Sampling(hz=4.0, gap_share=0.05)
_ALL_OF_IT = Sampling(hz=4.0, gap_share=0.0)

TABLE: Mapping[str, Row] = {
    "cross_track_rms": Row(leg_measures.cross_track_rms, _MOST_OF_IT),
    "cross_track_p95": Row(leg_measures.cross_track_p95, _MOST_OF_IT),
    "cross_track_max": Row(leg_measures.cross_track_max, _ALL_OF_IT),
    "vertical_rms": Row(leg_measures.vertical_rms, _MOST_OF_IT),
    "vertical_p95": Row(leg_measures.vertical_p95, _MOST_OF_IT),
    "vertical_max": Row(leg_measures.vertical_max, _ALL_OF_IT),
    "dwell_at_holds": Row(flight_measures.dwell_at_holds, Sampling(hz=2.0, gap_share=0.05)),
    "landing_offset": Row(flight_measures.landing_offset, None),
    "frechet_distance": Row(flight_measures.frechet_distance, _ALL_OF_IT),
    "duration": Row(flight_measures.duration, None),
    "speed_on_legs": Row(leg_measures.speed_on_legs, Sampling(hz=2.0, gap_share=0.05)),
}
"""One row for each name of scenario.measure_names."""


def measure(name: str, limit: Limit, evidence: Evidence) -> Measured:
    """The measure `name` of a flight against `limit`. The name must be one of the table."""
    row = TABLE[name]
    missing = ""
    if row.needs is not None and evidence.positions is not None:
        missing = row.needs.missing(evidence.positions)
    found = Found(None, missing) if missing else row.compute(evidence, limit)
    if found.value is None:
        return not_measurable(name, limit, evidence.track.source, found.says)
    return Measured(
        name=name,
        unit=NAMES[name].unit,
        value=found.value,
        limit=limit,
        margin=margin(found.value, limit),
        source=evidence.track.source,
        leg=found.leg,
        at_s=found.at_s,
        says=found.says,
    )


def not_measurable(name: str, limit: Limit, source: Source, reason: str) -> Measured:
    """The measure `name` without a value, and why."""
    return Measured(name, NAMES[name].unit, None, limit, None, source, says=f"not measurable: {reason}")

"""The table of measures, and how one is taken.

A measure is a function from the evidence and the limit to what was found, in SI units, in the axes of the
expected path and by the track's own source. A new one is a function, a row here, and its name in
scenario.measure_names. What cannot be measured has no value and says why: a number from too few samples would be
believed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from asflown.errors import UsageError
from asflown.grade import error_split, flight_measures, leg_measures, manner_measures, shape_measures
from asflown.grade.evidence import Evidence, Sampling
from asflown.grade.found import Found
from asflown.grade.margin import margin
from asflown.grade.own_measures import own_measure
from asflown.grade.result import Measured, Source
from asflown.scenario.measure_formula import parse_measure_formula
from asflown.scenario.measure_names import MEASURES as NAMES
from asflown.scenario.measure_names import MeasureName, load_registered
from asflown.scenario.model import Limit
from asflown.units import Dimension


@dataclass(frozen=True, slots=True)
class Row:
    """One measure of the table; without `needs` it does not depend on the rate of positions."""

    compute: Callable[[Evidence, Limit], Found]
    needs: Sampling | None


_MOST_OF_IT = Sampling(hz=4.0, gap_share=0.05)
_ALL_OF_IT = Sampling(hz=4.0, gap_share=0.0)

_SHAPE = Sampling(hz=4.0, gap_share=0.0)
_MANNER = Sampling(hz=2.0, gap_share=0.05)

TABLE: dict[str, Row] = {
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
    "frechet_continuous": Row(shape_measures.frechet_continuous, _SHAPE),
    "hausdorff_distance": Row(shape_measures.hausdorff_distance, _SHAPE),
    "time_warping_mean": Row(shape_measures.time_warping_mean, _SHAPE),
    "corner_overshoot": Row(shape_measures.corner_overshoot, _SHAPE),
    "corner_cut": Row(shape_measures.corner_cut, _SHAPE),
    "path_length_ratio": Row(shape_measures.path_length_ratio, _MANNER),
    "schedule_error": Row(manner_measures.schedule_error, _MANNER),
    "heading_from_travel_p95": Row(manner_measures.heading_from_travel_p95, _MANNER),
    "heading_from_start_p95": Row(manner_measures.heading_from_start_p95, _MANNER),
    "heading_from_centre_p95": Row(manner_measures.heading_from_centre_p95, _MANNER),
    "tilt_max": Row(manner_measures.tilt_max, None),
    "control_effort": Row(manner_measures.control_effort, None),
    "link_loss": Row(manner_measures.link_loss, None),
    "longest_silence": Row(manner_measures.longest_silence, None),
    "stick_age": Row(manner_measures.stick_age, None),
    "battery_used": Row(manner_measures.battery_used, None),
    "flight_technical_error_p95": Row(error_split.flight_technical_error_p95, _MOST_OF_IT),
    "navigation_system_error_p95": Row(error_split.navigation_system_error_p95, None),
    "total_system_error_p95": Row(error_split.total_system_error_p95, None),
}
"""One row for each name of scenario.measure_names."""

BOTH_SIDES = frozenset({
    "flight_technical_error_p95", "navigation_system_error_p95", "total_system_error_p95",
})  # fmt: skip
"""Measures that look at estimate and truth together."""


def register(
    name: str,
    compute: Callable[[Evidence, Limit], Found],
    dimension: Dimension,
    describes: str,
    needs: Sampling | None = None,
) -> None:
    """Adds a measure of the user's own, for scenarios read from then on; values are in the SI unit of `dimension`.

    `compute` takes the evidence and the limit and returns what was found. Raises UsageError for a name that is taken.
    """
    if name in NAMES:
        raise UsageError(f"there is a measure `{name}` already", "Give it another name")
    NAMES[name] = MeasureName(name, dimension, describes, "nothing")
    TABLE[name] = Row(compute, needs)


def measure(name: str, limit: Limit, evidence: Evidence) -> Measured:
    """The measure `name` of a flight against `limit`: one of the table, or the limit's own formula."""
    if limit.formula is not None:
        return _measured(name, limit, evidence, own_measure(parse_measure_formula(limit.formula), evidence))
    if name not in TABLE:
        load_registered()  # a process of its own may be handed a scenario that another one read
    row = TABLE[name]
    missing = ""
    if row.needs is not None and evidence.positions is not None:
        missing = row.needs.missing(evidence.positions)
    return _measured(name, limit, evidence, Found(None, missing) if missing else row.compute(evidence, limit))


def _measured(name: str, limit: Limit, evidence: Evidence, found: Found) -> Measured:
    if found.value is None:
        return not_measurable(name, limit, evidence.track.source, found.says)
    return Measured(
        name=name,
        unit=_unit(name, limit),
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
    return Measured(name, _unit(name, limit), None, limit, None, source, says=f"not measurable: {reason}")


def _unit(name: str, limit: Limit) -> str:
    """The SI unit's symbol of a measure."""
    if limit.formula is not None:
        return parse_measure_formula(limit.formula).dimension.si_symbol
    return NAMES[name].unit

"""The measures a scenario may limit: name, what kind of quantity each is, and what it says.

The grader computes exactly these; a new measure is one row here and one function there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asflown.units import Dimension


@dataclass(frozen=True, slots=True)
class MeasureName:
    """One measure; values and limits are in the SI unit of `dimension`."""

    name: str
    dimension: Dimension
    describes: str

    @property
    def unit(self) -> str:
        """The SI unit's symbol."""
        return self.dimension.si_symbol


MEASURES: Mapping[str, MeasureName] = {
    measure.name: measure
    for measure in (
        MeasureName("cross_track_rms", Dimension.LENGTH, "root mean square of the cross-track error"),
        MeasureName(
            "cross_track_p95", Dimension.LENGTH, "size of the cross-track error kept 95 % of the time"
        ),
        MeasureName("cross_track_max", Dimension.LENGTH, "largest size of the cross-track error"),
        MeasureName("vertical_rms", Dimension.LENGTH, "root mean square of the vertical error"),
        MeasureName("vertical_p95", Dimension.LENGTH, "size of the vertical error kept 95 % of the time"),
        MeasureName("vertical_max", Dimension.LENGTH, "largest size of the vertical error"),
        MeasureName("dwell_at_holds", Dimension.DURATION, "shortest time spent at any of the holds"),
        MeasureName(
            "landing_offset", Dimension.LENGTH, "horizontal distance of the touch-down from the planned one"
        ),
        MeasureName("duration", Dimension.DURATION, "flight time from lift-off to touch-down"),
        MeasureName(
            "speed_on_legs",
            Dimension.SPEED,
            "largest difference between a leg's mean ground speed and its `speed`",
        ),
    )
}

"""The measures a scenario may limit: name, what kind of quantity each is, and what it says.

The grader computes exactly these; a new measure is one row here and one function there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from asflown.units import Dimension


@dataclass(frozen=True, slots=True)
class MeasureName:
    """One measure; values and limits are in the SI unit of `dimension`."""

    name: str
    dimension: Dimension
    describes: str
    needs: Literal["nothing", "path", "hold", "land", "speed"]
    """What the expected path must have for it: a leg of that kind, a leg with a speed, or just to be there."""

    @property
    def unit(self) -> str:
        """The SI unit's symbol."""
        return self.dimension.si_symbol


MEASURES: Mapping[str, MeasureName] = {
    row[0]: MeasureName(*row)
    for row in (
        ("cross_track_rms", Dimension.LENGTH, "root mean square of the cross-track error", "path"),
        ("cross_track_p95", Dimension.LENGTH, "size of the cross-track error kept 95 % of the time", "path"),
        ("cross_track_max", Dimension.LENGTH, "largest size of the cross-track error", "path"),
        ("vertical_rms", Dimension.LENGTH, "root mean square of the vertical error", "path"),
        ("vertical_p95", Dimension.LENGTH, "size of the vertical error kept 95 % of the time", "path"),
        ("vertical_max", Dimension.LENGTH, "largest size of the vertical error", "path"),
        ("dwell_at_holds", Dimension.DURATION, "shortest time spent at any of the holds", "hold"),
        (
            "landing_offset",
            Dimension.LENGTH,
            "horizontal distance of the touch-down from the planned one",
            "land",
        ),
        ("duration", Dimension.DURATION, "flight time from lift-off to touch-down", "nothing"),
        (
            "speed_on_legs",
            Dimension.SPEED,
            "largest difference of a leg's mean ground speed from its `speed`",
            "speed",
        ),
        (
            "frechet_distance",
            Dimension.LENGTH,
            "distance of track and expected path at the worst place, both followed in order",
            "path",
        ),
    )
}

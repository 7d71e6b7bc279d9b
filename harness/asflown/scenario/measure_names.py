"""The measures a scenario may limit: name, what kind of quantity each is, and what it says.

The grader computes exactly these; a new measure is one row here and one function there. Packages of users add theirs
by an entry point of the group `asflown.measures`: a function without arguments that calls grade.measures.register.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.metadata import entry_points
from typing import Literal

from asflown.errors import UsageError
from asflown.units import Dimension

GROUP = "asflown.measures"


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


MEASURES: dict[str, MeasureName] = {
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
        ("frechet_continuous", Dimension.LENGTH, "the same without regard to sampling, leg by leg", "path"),
        ("hausdorff_distance", Dimension.LENGTH, "distance of track and path as sets of points", "path"),
        ("time_warping_mean", Dimension.LENGTH, "mean distance of track and path, followed in order", "path"),
        ("corner_overshoot", Dimension.LENGTH, "how far a leg was flown beyond its end", "path"),
        ("corner_cut", Dimension.LENGTH, "how far away from a corner the vehicle turned", "path"),
        ("path_length_ratio", Dimension.SHARE, "length flown over length planned", "path"),
        ("schedule_error", Dimension.DURATION, "largest lateness or earliness at a leg's end", "path"),
        (
            "heading_from_travel_p95",
            Dimension.ANGLE,
            "angle between nose and travel, 95 % of the time",
            "nothing",
        ),
        (
            "heading_from_start_p95",
            Dimension.ANGLE,
            "angle from the start heading, 95 % of the time",
            "nothing",
        ),
        (
            "heading_from_centre_p95",
            Dimension.ANGLE,
            "angle from the centre of arcs, 95 % of the time",
            "path",
        ),
        ("tilt_max", Dimension.ANGLE, "largest tilt", "nothing"),
        ("control_effort", Dimension.ANGLE, "spread of roll and pitch", "nothing"),
        ("link_loss", Dimension.SHARE, "share of the vehicle's messages that did not arrive", "nothing"),
        ("longest_silence", Dimension.DURATION, "longest time without a position", "nothing"),
        ("stick_age", Dimension.DURATION, "longest time without the pilot's sticks", "nothing"),
        ("battery_used", Dimension.SHARE, "charge used during the flight", "nothing"),
        ("flight_technical_error_p95", Dimension.LENGTH, "estimate against path, 95 % of the time", "path"),
        (
            "navigation_system_error_p95",
            Dimension.LENGTH,
            "estimate against truth, 95 % of the time",
            "nothing",
        ),
        ("total_system_error_p95", Dimension.LENGTH, "truth against path, 95 % of the time", "path"),
    )
}


@cache
def load_registered() -> None:
    """Lets installed packages register their measures; done once, and only where a name is not known otherwise.

    Raises UsageError for a package that fails at it.
    """
    for entry in sorted(entry_points(group=GROUP), key=lambda entry: (entry.name, entry.value)):
        try:
            entry.load()()
        except Exception as error:  # whatever a foreign package does wrong is told as its own
            raise UsageError(
                f"the measures of `{entry.value}` (entry point `{entry.name}`) cannot be registered: {error!r}",
                "Mend that package, or take it out of this environment",
            ) from error

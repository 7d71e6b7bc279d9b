"""The signals a rule may speak of: name, what kind of quantity each is, and where it is measured from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asflown.units import Dimension


@dataclass(frozen=True, slots=True)
class SignalName:
    """One signal of a track, in the SI unit of `dimension`; a `dimension` of None means true or false."""

    name: str
    dimension: Dimension | None
    describes: str


SIGNALS: Mapping[str, SignalName] = {
    signal.name: signal
    for signal in (
        SignalName("height", Dimension.LENGTH, "above the start point"),
        SignalName("distance", Dimension.LENGTH, "horizontal, from the start point"),
        SignalName("north", Dimension.LENGTH, "north of the start point"),
        SignalName("east", Dimension.LENGTH, "east of the start point"),
        SignalName(
            "cross_track", Dimension.LENGTH, "horizontal distance from the leg being flown, right positive"
        ),
        SignalName("speed", Dimension.SPEED, "horizontal, over ground"),
        SignalName("climb_rate", Dimension.SPEED, "upwards positive"),
        SignalName("roll", Dimension.ANGLE, "right wing down positive"),
        SignalName("pitch", Dimension.ANGLE, "nose up positive"),
        SignalName("tilt", Dimension.ANGLE, "between the vehicle's vertical axis and the vertical"),
        SignalName("heading", Dimension.ANGLE, "clockwise from north, 0 deg to 360 deg"),
        SignalName("battery", Dimension.SHARE, "charge remaining, as the vehicle reports it"),
        SignalName("voltage", Dimension.VOLTAGE, "of the whole battery"),
        SignalName("on_ground", None, "standing on the ground, as the vehicle reports it"),
        SignalName("armed", None, "motors may turn"),
    )
}

MODES = ("position-hold", "set-points", "safe-recovery", "mission", "land", "take-off", "orbit")
"""What `mode is ...` may name: the standard modes, and `set-points`, which has no standard name."""


def leg_signal(index: int) -> str:
    """The flag that is true while leg `index` (from 1) of the expected path is being flown."""
    return f"leg {index}"


def mode_signal(mode: str) -> str:
    """The flag that is true while the vehicle flies in `mode`."""
    return f"mode is {mode}"

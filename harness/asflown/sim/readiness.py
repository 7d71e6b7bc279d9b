"""Pre-arm checks: what must hold before the motors may run, and what to say when it does not.

No command and no parameter skips them.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians

from pymavlink.dialects.v20 import common as mav

from asflown.sim.fence import Fence
from asflown.sim.situation import Situation

_MOST_TILT_DEG = 25.0


@dataclass(frozen=True, slots=True)
class Obstacle:
    """A reason not to arm. `passes` says whether waiting may help."""

    text: str
    passes: bool


def obstacles(situation: Situation, fence: Fence) -> list[Obstacle]:
    """Everything that speaks against arming, the gravest first; empty when the craft is ready."""
    core, estimate, parameters = situation.core, situation.core.estimate, situation.parameters
    ratios = (
        estimate.position_test_ratio, estimate.velocity_test_ratio,
        estimate.height_test_ratio, estimate.heading_test_ratio,
    )  # fmt: skip
    upright = cos(estimate.roll_rad) * cos(estimate.pitch_rad)
    left = core.readings.battery_remaining
    found: list[Obstacle] = []

    def unless(holds: bool, text: str, *, passes: bool = True) -> None:
        if not holds:
            found.append(Obstacle(text, passes))

    unless(left > parameters["battery.reserve"], f"battery at {left:.0%}", passes=False)
    unless(upright > cos(radians(_MOST_TILT_DEG)), "not level", passes=False)
    unless(core.on_ground, "not on the ground")
    fix = core.readings.gnss_fix >= mav.GPS_FIX_TYPE_3D_FIX
    unless(fix or estimate.position_fed, "no GNSS fix")
    unless(estimate.position_valid, "no valid position yet")
    unless(
        estimate.origin_known or not (fence.enabled and fence.areas),
        "no origin: areas of the fence are nowhere",
    )
    unless(max(ratios) <= 1.0, "estimator disagrees with its sensors")
    allowed = not estimate.position_valid or not fence.enabled or not fence.at(situation.here(), situation)
    unless(allowed, "outside the fence", passes=False)
    sticks = situation.sticks
    unless(not sticks.fresh(situation.now_us) or sticks.deflection.centred, "sticks off centre")
    return found

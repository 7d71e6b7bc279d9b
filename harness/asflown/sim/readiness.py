"""Pre-arm checks: what must hold before the motors may run, and what to say when it does not.

No command and no parameter skips them.
"""

from __future__ import annotations

from dataclasses import dataclass

from asflown.sim.situation import Situation


@dataclass(frozen=True, slots=True)
class Obstacle:
    """A reason not to arm. `passes` says whether waiting may help."""

    text: str
    passes: bool


def obstacles(situation: Situation) -> list[Obstacle]:
    """Everything that speaks against arming, the gravest first; empty when the craft is ready."""
    core, parameters = situation.core, situation.parameters
    found: list[Obstacle] = []
    if core.readings.battery_remaining <= parameters["battery.reserve"]:
        found.append(Obstacle(f"battery at {core.readings.battery_remaining:.0%}", passes=False))
    if not core.on_ground:
        found.append(Obstacle("not on the ground", passes=True))
    if not core.estimate.position_valid:
        found.append(Obstacle("no valid position yet", passes=True))
    return found

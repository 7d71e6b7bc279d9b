"""The vehicle's own failsafes: position lost, battery low, ground silent.

They act in flight only, each once until it is set again by arming (battery) or by its cause going away (ground,
position). A later, graver one overrules an earlier one; none of them stops the motors in the air.
"""

from __future__ import annotations

from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav

from asflown.sim.identity import ModeName
from asflown.sim.modes import Mode
from asflown.sim.situation import Situation

_LINK_ACTS = {1: ModeName.SAFE_RECOVERY, 2: ModeName.LAND}


@dataclass(frozen=True, slots=True)
class Reaction:
    """The mode to change to, and what to tell people (severity as MAV_SEVERITY)."""

    mode: ModeName
    severity: int
    text: str


class Failsafes:
    """Watches one craft while it flies."""

    def __init__(self) -> None:
        self.emergency = False
        """The craft is landing because it cannot do otherwise; no command may change the mode."""
        self._reserve_seen = False
        self._position_since_us: int | None = None
        self._heard_us: int | None = None
        self._link_lost = False

    def armed(self) -> None:
        """A new flight begins."""
        self.emergency = self._reserve_seen = self._link_lost = False
        self._position_since_us = self._heard_us = None

    def heard(self, now_us: int, *, in_air: bool) -> None:
        """A heartbeat from the ground. Its silence counts only once it has been heard in the air."""
        if in_air:
            self._heard_us, self._link_lost = now_us, False

    def tick(self, situation: Situation, mode: Mode) -> Reaction | None:
        """What must be done now, if anything."""
        if situation.core.on_ground:
            return None
        return (
            self._position(situation, mode) or self._battery(situation, mode) or self._link(situation, mode)
        )

    def _position(self, situation: Situation, mode: Mode) -> Reaction | None:
        if situation.estimate.position_valid:
            self._position_since_us = None
            return None
        if self._position_since_us is None:
            self._position_since_us = situation.now_us
        lost_us = situation.now_us - self._position_since_us
        if lost_us < situation.parameters["position.loss"] * 1e6 or mode.name is ModeName.LAND:
            return None
        return Reaction(ModeName.LAND, mav.MAV_SEVERITY_EMERGENCY, "position lost: landing")

    def _battery(self, situation: Situation, mode: Mode) -> Reaction | None:
        left = situation.core.readings.battery_remaining
        if left < situation.parameters["battery.critical"] and not self.emergency:
            self.emergency = self._reserve_seen = True
            if mode.landing:
                return None
            return Reaction(
                ModeName.LAND, mav.MAV_SEVERITY_EMERGENCY, f"battery critical ({left:.0%}): landing"
            )
        if left < situation.parameters["battery.reserve"] and not self._reserve_seen:
            self._reserve_seen = True
            if mode.name in {ModeName.LAND, ModeName.SAFE_RECOVERY}:
                return None
            text = f"battery reserve ({left:.0%}): coming home"
            return Reaction(ModeName.SAFE_RECOVERY, mav.MAV_SEVERITY_CRITICAL, text)
        return None

    def _link(self, situation: Situation, mode: Mode) -> Reaction | None:
        if self._heard_us is None or self._link_lost or not mode.needs_link:
            return None
        if situation.now_us - self._heard_us < situation.parameters["link.loss.time"] * 1e6:
            return None
        self._link_lost = True
        act = _LINK_ACTS.get(int(situation.parameters["link.loss.act"]))
        if act is None:
            return None
        return Reaction(act, mav.MAV_SEVERITY_CRITICAL, f"ground not heard: {act.words}")

"""The guard: watches a flight and brings the vehicle down safely when a limit is crossed, whatever the script does.

It acts once for each cause, records why, and cuts the script off first, so that the two never fight over the mode. It
knows standard modes only and never disarms. When the first reaction does not help in its time, `set-down` follows.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from pymavlink.dialects.v20 import common, development

from asflown.clock.base import Clock
from asflown.flight.watch import VehicleWatch
from asflown.link.hub import Hub
from asflown.record.manifest import SafetyEvent
from asflown.scenario.model import GuardLimits

Reaction = Literal["stop-here", "come-home", "set-down"]
STANDARD_MODE: dict[Reaction, int] = {
    "stop-here": development.MAV_STANDARD_MODE_POSITION_HOLD,
    "come-home": development.MAV_STANDARD_MODE_SAFE_RECOVERY,
    "set-down": development.MAV_STANDARD_MODE_LAND,
}
LOOK_INTERVAL_US = 100_000
ESCALATE_AFTER_US = 5_000_000
"""How long a reaction may take to show before the next one follows."""
OWN_SYSTEM, OWN_COMPONENT = 254, common.MAV_COMP_ID_ONBOARD_COMPUTER


class Commander:
    """Sends the harness's own mode commands, addressed to the vehicle that was heard."""

    def __init__(self, hub: Hub, watch: VehicleWatch) -> None:
        self._hub, self._watch = hub, watch
        self._mavlink = common.MAVLink(None, OWN_SYSTEM, OWN_COMPONENT)

    def ask(self, reaction: Reaction, source: Literal["guard", "harness"]) -> None:
        """Asks for the standard mode of a reaction."""
        seen = self._watch.seen
        command = self._mavlink.command_long_encode(
            seen.system,
            seen.component,
            development.MAV_CMD_DO_SET_STANDARD_MODE,
            0,
            STANDARD_MODE[reaction],
            *(0,) * 6,
        )
        self._hub.inject(bytes(command.pack(self._mavlink)), source)
        self._mavlink.seq = (self._mavlink.seq + 1) % 256


class Guard:
    """Compares what the vehicle reports with the scenario's limits, ten times a second, from arming on."""

    def __init__(
        self,
        limits: GuardLimits,
        clock: Clock,
        watch: VehicleWatch,
        commander: Commander,
        on_reaction: Callable[[SafetyEvent], None],
    ) -> None:
        """`on_reaction` is told before the guard asks the vehicle for anything; it cuts the script off."""
        self._limits, self._clock, self._watch, self._commander = limits, clock, watch, commander
        self._on_reaction = on_reaction
        self._script_heard_us: int | None = None
        self._script_runs = False
        self._next: tuple[int, Reaction] | None = None
        self._reacted = False

    def start(self) -> None:
        """Begins to look."""
        self._clock.call_at(self._clock.now_us() + LOOK_INTERVAL_US, self._look)

    def script_heard(self, now_us: int) -> None:
        """The script sent something, or was started."""
        self._script_runs, self._script_heard_us = True, now_us

    def script_ended(self) -> None:
        """From now on silence is no surprise."""
        self._script_runs = False

    def _look(self) -> None:
        now_us = self._clock.now_us()
        self._clock.call_at(now_us + LOOK_INTERVAL_US, self._look)
        if not self._watch.seen.armed:
            return
        if not self._reacted:
            self._react_to(now_us)
        elif self._next is not None and now_us >= self._next[0]:
            reaction, self._next = self._next[1], None
            self._do(now_us, reaction, "the first reaction was not enough in its time")

    def _react_to(self, now_us: int) -> None:
        limits, watch = self._limits, self._watch
        if limits.height_m is not None and watch.height_m > limits.height_m:
            self._first(
                now_us, "come-home", "set-down", f"height {watch.height_m:.1f} m > {limits.height_m:g} m"
            )
        elif limits.distance_m is not None and watch.distance_m > limits.distance_m:
            cause = f"distance {watch.distance_m:.1f} m > {limits.distance_m:g} m"
            self._first(now_us, "come-home", None, cause)
        elif limits.battery is not None and (watch.seen.battery or 1.0) < limits.battery:
            cause = f"battery {100 * (watch.seen.battery or 0):.0f} % < {100 * limits.battery:.0f} %"
            self._first(now_us, "come-home", None, cause)
        elif self._silent_for_us(now_us) > (limits.script_silent_s or float("inf")) * 1e6:
            self._first(now_us, "stop-here", "come-home", f"script silent for {limits.script_silent_s:g} s")

    def _silent_for_us(self, now_us: int) -> int:
        if not self._script_runs or self._script_heard_us is None:
            return 0
        return now_us - self._script_heard_us

    def _first(self, now_us: int, reaction: Reaction, then: Reaction | None, cause: str) -> None:
        self._reacted = True
        self._next = None if then is None else (now_us + ESCALATE_AFTER_US, then)
        self._do(now_us, reaction, cause)

    def _do(self, now_us: int, reaction: Reaction, cause: str) -> None:
        self._on_reaction(SafetyEvent(at_s=now_us / 1e6, what=f"guard: {reaction}", cause=cause))
        self._commander.ask(reaction, "guard")

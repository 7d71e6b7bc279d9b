"""What the guard looks for: each cause from what the vehicle reports, with how long it must last.

While the vehicle is not heard nothing else is judged: what it said last may not hold any more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from asflown.flight.watch import VehicleWatch
from asflown.scenario.model import GuardLimits
from asflown.vehicle.reactions import Reaction

CauseKind = Literal[
    "position-lost", "battery-critical", "runaway", "too-high", "too-far", "battery-low", "script-silent",
    "link-lost", "script-left", "harness-gone",
]  # fmt: skip
UNHEARD_S, UNPLACED_S = 5, 5
UNHEARD_US = UNHEARD_S * 1_000_000
"""So long without a heartbeat, and the link counts as lost."""
UNPLACED_US = UNPLACED_S * 1_000_000
"""So long without a position message, though the vehicle is heard."""
RUNAWAY_US = 500_000
STOPS_FOR_US = 5_000_000
"""How long the vehicle of a silent script stands still before it is brought home."""


@dataclass(frozen=True, slots=True)
class Cause:
    """Why the guard steps in."""

    kind: CauseKind
    says: str


@dataclass(frozen=True, slots=True)
class Step:
    """A reaction, and how long it lasts before the next step once it shows; None: to the end."""

    reaction: Reaction
    for_us: int | None = None


_HOME, _DOWN = (Step("come-home"),), (Step("set-down"),)
_STOP_THEN_DOWN = (Step("stop-here", 2_000_000), *_DOWN)
_PLANS: dict[CauseKind, tuple[Step, ...]] = {
    "position-lost": _DOWN,
    "battery-critical": _DOWN,
    "runaway": _STOP_THEN_DOWN,
    "too-high": _HOME,
    "too-far": _HOME,
    "battery-low": _HOME,
    "script-silent": (Step("stop-here", STOPS_FOR_US), Step("come-home")),
    "link-lost": _HOME,
    "script-left": _DOWN,
    "harness-gone": _HOME,
}


def plan(kind: CauseKind, *, return_too_high: bool) -> tuple[Step, ...]:
    """What is asked for, in order. Where a return would climb above the ceiling, the vehicle stops and is set down."""
    steps = _PLANS[kind]
    if not return_too_high or all(step.reaction != "come-home" for step in steps):
        return steps
    if steps[0].reaction == "stop-here":
        return (steps[0], *_DOWN)
    return _STOP_THEN_DOWN


class Causes:
    """Looks ten times a second. `script_heard_us` is None while no script is expected to speak."""

    def __init__(self, limits: GuardLimits, watch: VehicleWatch) -> None:
        self._limits, self._watch = limits, watch
        self.script_heard_us: int | None = None
        self.heard_since_us = 0
        """Since when the vehicle has been heard without a gap."""
        self._fast_since_us: int | None = None

    def silence_us(self, now_us: int) -> int:
        """How long the vehicle has not been heard."""
        return now_us - (self._watch.seen.heartbeat_us or 0)

    def look(self, now_us: int) -> list[Cause]:
        """All that hold now, the gravest first; the vehicle is armed."""
        silence_us = self.silence_us(now_us)
        if silence_us > UNHEARD_US:
            return self._unheard(silence_us)
        found = (
            self._position(now_us),
            self._battery_critical(),
            self._runaway(now_us),
            self._height(),
            self._distance(),
            self._battery_low(),
            self._silence(now_us),
        )
        return [cause for cause in found if cause is not None]

    def _unheard(self, silence_us: int) -> list[Cause]:
        limit_s = self._limits.link_lost_s
        if limit_s is None or silence_us < limit_s * 1e6:
            return []
        return [Cause("link-lost", f"vehicle not heard for {limit_s:g} s")]

    def _position(self, now_us: int) -> Cause | None:
        seen, limit_us = self._watch.seen, self._limits.position_lost_s * 1e6
        if _lasts(seen.estimate_bad_since_us, now_us, limit_us):
            return Cause("position-lost", "position lost: its estimator has none")
        if not seen.says_estimate and seen.had_fix and _lasts(seen.no_fix_since_us, now_us, limit_us):
            return Cause("position-lost", "position lost: no satellite fix")
        needed = self._limits.height_m is not None or self._limits.distance_m is not None
        told_us = max(seen.position_us or 0, self.heard_since_us)
        if (needed or seen.position_us is not None) and now_us - told_us > UNPLACED_US:
            return Cause("position-lost", f"no position told for {UNPLACED_S} s")
        return None

    def _battery_critical(self) -> Cause | None:
        limits, left = self._limits, self._watch.seen.battery
        critical = limits.battery_critical
        if critical is None and limits.battery is not None:
            critical = limits.battery / 2
        if critical is None or left is None or left >= critical:
            return None
        return Cause("battery-critical", f"battery {100 * left:.0f} % < {100 * critical:g} %: critical")

    def _battery_low(self) -> Cause | None:
        limit, left = self._limits.battery, self._watch.seen.battery
        if limit is None or left is None or left >= limit:
            return None
        return Cause("battery-low", f"battery {100 * left:.0f} % < {100 * limit:.0f} %")

    def _runaway(self, now_us: int) -> Cause | None:
        limit, speed = self._limits.speed_m_s, self._watch.speed_m_s
        if limit is None or speed is None or speed <= limit:
            self._fast_since_us = None
            return None
        if self._fast_since_us is None:
            self._fast_since_us = now_us
        if now_us - self._fast_since_us < RUNAWAY_US:
            return None
        return Cause("runaway", f"speed {speed:.1f} m/s > {limit:g} m/s")

    def _height(self) -> Cause | None:
        limit, height = self._limits.height_m, self._watch.height_m
        if limit is None or height <= limit:
            return None
        return Cause("too-high", f"height {height:.1f} m > {limit:g} m")

    def _distance(self) -> Cause | None:
        limit, distance = self._limits.distance_m, self._watch.distance_m
        if limit is None or distance <= limit:
            return None
        return Cause("too-far", f"distance {distance:.1f} m > {limit:g} m")

    def _silence(self, now_us: int) -> Cause | None:
        limit_s = self._limits.script_silent_s
        if limit_s is None or self.script_heard_us is None:
            return None
        if now_us - self.script_heard_us <= limit_s * 1e6:
            return None
        return Cause("script-silent", f"script silent for {limit_s:g} s")


def _lasts(since_us: int | None, now_us: int, limit_us: float) -> bool:
    return since_us is not None and now_us - since_us >= limit_us

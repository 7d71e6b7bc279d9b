"""The guard: what it reacts to, when, in which order, and that it does so once."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from pymavlink.dialects.v20 import common

from asflown.clock.virtual import VirtualClock
from asflown.flight.guard import Commander, Guard
from asflown.flight.watch import VehicleWatch
from asflown.record.manifest import SafetyEvent
from asflown.scenario.model import GuardLimits


@dataclass
class Noting:
    """A commander and a listener that note what they were asked, with the time."""

    clock: VirtualClock
    log: list[tuple[float, str]] = field(default_factory=list)

    def ask(self, reaction: str, source: str) -> None:
        """Notes a request to the vehicle."""
        self.log.append((self.clock.now_us() / 1e6, f"{source} asks {reaction}"))

    def on_reaction(self, event: SafetyEvent) -> None:
        """Notes that the script is to be cut off."""
        self.log.append((event.at_s, f"cut off: {event.cause}"))


def make(limits: GuardLimits) -> tuple[VirtualClock, VehicleWatch, Guard, Noting]:
    """A guard on a virtual clock, watching a vehicle that is armed."""
    clock, watch = VirtualClock(), VehicleWatch()
    noting = Noting(clock)
    guard = Guard(limits, clock, watch, noting, noting.on_reaction)  # type: ignore[arg-type]
    watch.seen.armed, watch.seen.start_ned_m = True, (0.0, 0.0, 0.0)
    guard.start()
    return clock, watch, guard, noting


def test_a_silent_script_stops_the_vehicle_and_then_brings_it_home() -> None:
    """Silent for longer than its limit: stop here first, come home when that was not the end of it."""
    clock, _, guard, noting = make(GuardLimits(script_silent_s=2.0))
    guard.script_heard(0)
    clock.call_at(1_000_000, lambda: guard.script_heard(clock.now_us()))
    clock.run(clock.sleep_until(20_000_000))
    assert noting.log == [
        (3.1, "cut off: script silent for 2 s"),
        (3.1, "guard asks stop-here"),
        (8.1, "cut off: the first reaction was not enough in its time"),
        (8.1, "guard asks come-home"),
    ]


def test_silence_after_the_scripts_end_is_no_surprise() -> None:
    """A script that ended is not silent."""
    clock, _, guard, noting = make(GuardLimits(script_silent_s=2.0))
    guard.script_heard(0)
    guard.script_ended()
    clock.run(clock.sleep_until(20_000_000))
    assert noting.log == []


@pytest.mark.parametrize(
    ("limits", "place", "battery", "expected"),
    [
        (GuardLimits(height_m=5.0), (0, 0, -5.1), 1.0, "height 5.1 m > 5 m"),
        (GuardLimits(height_m=5.0), (0, 0, -5.0), 1.0, None),
        (GuardLimits(distance_m=40.0), (30, 27, 0), 1.0, "distance 40.4 m > 40 m"),
        (GuardLimits(battery=0.15), (0, 0, 0), 0.14, "battery 14 % < 15 %"),
        (GuardLimits(battery=0.15), (0, 0, 0), 0.15, None),
        (GuardLimits(), (900, 900, -900), 0.01, None),
    ],
)
def test_each_limit_is_watched_alone(
    limits: GuardLimits, place: tuple[float, float, float], battery: float, expected: str | None
) -> None:
    """Beyond a limit the vehicle is asked to come home, with the numbers as the cause; at the limit it is not."""
    clock, watch, _, noting = make(limits)
    watch.seen.north_m, watch.seen.east_m, watch.seen.down_m = place
    watch.seen.battery = battery
    clock.run(clock.sleep_until(150_000))
    assert noting.log == (
        [] if expected is None else [(0.1, f"cut off: {expected}"), (0.1, "guard asks come-home")]
    )


def test_nothing_happens_before_arming() -> None:
    """A vehicle that stands is left alone, whatever it reports."""
    clock, watch, _, noting = make(GuardLimits(height_m=1.0))
    watch.seen.armed, watch.seen.down_m = False, -100.0
    clock.run(clock.sleep_until(5_000_000))
    assert noting.log == []


class NotingHub:
    """Notes injected frames."""

    def __init__(self) -> None:
        self.injected: list[tuple[bytes, str]] = []

    def inject(self, frame: bytes, source: str) -> None:
        """Notes a frame."""
        self.injected.append((frame, source))


def test_reactions_are_standard_mode_commands_to_the_vehicle_that_was_heard() -> None:
    """A reaction is MAV_CMD_DO_SET_STANDARD_MODE (262), addressed, with the mode's number (OC-MAV-27: land 7)."""
    hub, watch = NotingHub(), VehicleWatch()
    watch.seen.system, watch.seen.component = 7, 1
    commander = Commander(hub, watch)  # type: ignore[arg-type]
    commander.ask("set-down", "guard")
    (frame, source), decoder = hub.injected[0], common.MAVLink(None)
    message = decoder.parse_char(frame)
    assert source == "guard"
    assert (message.command, message.param1, message.target_system) == (262, 7.0, 7)

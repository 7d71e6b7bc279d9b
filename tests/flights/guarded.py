"""A guarded flight in lockstep without a script's process: real vehicle, hub and guard; parties that a test moves.

Between hub and vehicle stands a way that a test can spoil: frames lost up or down, commands refused or swallowed.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.clock.virtual import VirtualClock
from asflown.flight.guard import Guard
from asflown.flight.guard_terms import terms_for
from asflown.flight.watch import VehicleWatch
from asflown.link import wire
from asflown.link.hub import Hub
from asflown.scenario.model import Conditions, GuardLimits, Identity, Start, VehicleFile
from asflown.sim.identity import OWN_NUMBERS, ModeName
from asflown.vehicle.builtin import BuiltIn
from tests.unit.link.frames import Sender
from tests.unit.link.test_hub import NotingEndpoint, NotingRecorder

STANDARD, CUSTOM = 262, 176
TAKE_OFF, LAND, RETURN, ARM = 22, 21, 20, 400
HOLD_M = 2.0
_SET_POINTS_MASK = 0x0DF8
_VELOCITY_MASK = 0x0DC7
ACCEPTED, DENIED = int(mav.MAV_RESULT_ACCEPTED), int(mav.MAV_RESULT_DENIED)


class Spoiled:
    """The vehicle's endpoint, with what a test does to it."""

    def __init__(self, inner: Any, clock: VirtualClock) -> None:
        self.inner, self.clock, self.name = inner, clock, "vehicle"
        self.on_frame: Callable[[bytes], None] = lambda frame: None
        self.up = self.down = True
        self.swallows: set[int] = set()
        """Commands that never arrive."""
        self.answers: dict[int, int] = {}
        """Commands that are answered so, and not carried out."""
        self.hides: set[int] = set()
        """Messages of the vehicle that nobody gets."""
        self.sender = Sender(1, 1)
        inner.on_frame = self._from_vehicle

    def open(self) -> None:
        """Opens the vehicle's own."""
        self.inner.open()

    def close(self) -> None:
        """Closes it."""
        self.inner.close()

    def counters(self) -> dict[str, int]:
        """Its own."""
        counted: dict[str, int] = self.inner.counters()
        return counted

    def send(self, frame: bytes) -> None:
        """Passes a frame on, unless it is spoiled."""
        if not self.up:
            return
        if wire.message_id(frame) == mav.MAVLINK_MSG_ID_COMMAND_LONG:
            command = int.from_bytes(wire.payload(frame).ljust(33, b"\0")[28:30], "little")
            if command in self.swallows:
                return
            if command in self.answers:
                to = wire.system_id(frame), wire.component_id(frame)
                answer = mav.MAVLink_command_ack_message(command, self.answers[command], 0, 0, *to)
                packed = self.sender.pack(answer)
                self.clock.call_at(self.clock.now_us() + 50_000, lambda: self.on_frame(packed))
                return
        self.inner.send(frame)

    def _from_vehicle(self, frame: bytes) -> None:
        if self.down and wire.message_id(frame) not in self.hides:
            self.on_frame(frame)


@dataclass
class Situation:
    """What is injected: the limits, and what script, pilot and surroundings do once the vehicle hovers at 2 m."""

    name: str
    play: Callable[[Any], Awaitable[None]]
    expect: tuple[str, ...]
    """The safety events, in order."""
    end: str
    """`home`, `there` (on the ground away from home), `pilot` or `script` (in the air, in whose hands)."""
    cut: bool
    """Whether the script was cut off."""
    limits: GuardLimits = field(default_factory=GuardLimits)
    conditions: Conditions = field(default_factory=Conditions)
    identity: Identity = field(default_factory=Identity)
    battery: float = 1.0
    parameters: dict[str, float] = field(default_factory=dict)
    nameless: bool = False
    """The vehicle sends no CURRENT_MODE, and nobody knows how it numbers its modes."""
    lasts_s: float = 60.0
    """Watched for so long at most, and until the vehicle is down."""


class Kit:
    """One flight of one situation."""

    def __init__(self, situation: Situation) -> None:
        self.situation, self.clock = situation, VirtualClock()
        file = VehicleFile(name="palm80", kind="built-in", airframe="palm80", identity=situation.identity)
        start = Start(battery=situation.battery)
        self.vehicle = BuiltIn(self.clock, file, start, situation.conditions, seed=1)
        self.way = Spoiled(self.vehicle.endpoint, self.clock)
        self.recorder, self.safety = NotingRecorder(), list[tuple[int, str, str]]()
        self.hub = Hub(self.clock, self.recorder, self.way, None)
        self.script, self.pilot = NotingEndpoint("script"), NotingEndpoint("pilot")
        self.hub.attach(self.script, "script")
        self.hub.attach(self.pilot, "station")
        self.watch = VehicleWatch()
        terms = terms_for(situation.limits, file)
        if situation.nameless:
            self.way.hides, terms = {436}, terms.model_copy(update={"modes": {}})
        self.guard = Guard(terms, self.clock, self.hub, self.watch, self._note, self.recorder.event)
        self._script_sender, self._pilot_sender = Sender(245, 190), Sender(250, 190)
        self.injected_us: int | None = None
        self.streaming: Callable[[], bytes] | None = None
        self.speaks = True

    # What a situation does

    def now(self) -> None:
        """This is the moment that the time to reaction counts from."""
        self.injected_us = self.clock.now_us()

    async def wait(self, seconds: float) -> None:
        """Lets flight time pass."""
        await self.clock.sleep_until(self.clock.now_us() + round(seconds * 1e6))

    async def until(self, holds: Callable[[], bool], within_s: float = 60.0) -> None:
        """Waits until something holds."""
        end_us = self.clock.now_us() + round(within_s * 1e6)
        while not holds():
            assert self.clock.now_us() < end_us, (self.situation.name, self.safety)
            await self.wait(0.01)

    @property
    def flown(self) -> str:
        """The mode that the vehicle flies, by itself and not by what it tells."""
        return self.vehicle._craft.autopilot.mode.name.value

    @property
    def height_m(self) -> float:
        """By the vehicle's own estimate, which telemetry follows a little later."""
        return (self.watch.seen.start_ned_m or (0, 0, 0))[2] - self.vehicle._craft.core.estimate.down_m

    @property
    def distance_m(self) -> float:
        """By the same, from where it armed."""
        estimate, start = self.vehicle._craft.core.estimate, self.watch.seen.start_ned_m or (0, 0, 0)
        return math.hypot(estimate.north_m - start[0], estimate.east_m - start[1])

    @property
    def speed_m_s(self) -> float:
        """By the same."""
        estimate = self.vehicle._craft.core.estimate
        return math.hypot(estimate.velocity_north_m_s, estimate.velocity_east_m_s, estimate.velocity_down_m_s)

    @property
    def charge(self) -> float:
        """By the vehicle's own count, which telemetry tells once a second in whole per cent."""
        return self.vehicle._craft.core.readings.battery_remaining

    def command(self, number: int, *params: float, who: str = "script") -> None:
        """COMMAND_LONG of the script or the pilot."""
        filled = (*params, *(0.0,) * (7 - len(params)))
        self.say(mav.MAVLink_command_long_message(1, 1, number, 0, *filled), who)

    def mode(self, name: ModeName, who: str = "script") -> None:
        """Asks for a mode by its custom number."""
        self.command(CUSTOM, 1, OWN_NUMBERS[name], who=who)

    def say(self, message: Any, who: str = "script") -> None:
        """Sends a message as the script or the pilot."""
        if who == "script":
            self.script.say(self._script_sender.pack(message))
        else:
            self.pilot.say(self._pilot_sender.pack(message))

    def go_to(self, north_m: float, east_m: float, up_m: float) -> None:
        """From now on the script streams this position."""
        place = (north_m, east_m, -up_m)
        self._stream(_SET_POINTS_MASK, (*place, 0, 0, 0))

    def fly(self, north_m_s: float, east_m_s: float, up_m_s: float) -> None:
        """From now on the script streams this velocity."""
        self._stream(_VELOCITY_MASK, (0, 0, 0, north_m_s, east_m_s, -up_m_s))

    def fall_silent(self) -> None:
        """The script says nothing any more."""
        self.streaming, self.speaks = None, False

    def switch(self, name: ModeName) -> None:
        """Somebody changes the mode at the vehicle itself, past every link."""
        autopilot = self.vehicle._craft.autopilot
        assert autopilot.request_mode(name).result == ACCEPTED

    def set_parameter(self, name: str, value: float, kind: int = 9) -> None:
        """The script sets a parameter of the vehicle."""
        self.say(mav.MAVLink_param_set_message(1, 1, name.encode(), value, kind))

    def sticks(self, x: int = 0, y: int = 0, z: int = 500, r: int = 0) -> None:
        """The pilot's MANUAL_CONTROL."""
        self.say(mav.MAVLink_manual_control_message(1, x, y, z, r, 0), "pilot")

    def channels(self, *values: int) -> None:
        """The pilot's RC_CHANNELS_OVERRIDE."""
        filled = (*values, *(65535,) * (8 - len(values)))
        self.say(mav.MAVLink_rc_channels_override_message(1, 1, *filled), "pilot")

    # The flight

    def run(self) -> None:
        """Flies it."""
        self.clock.run(self._fly())

    async def _fly(self) -> None:
        self.hub.start()
        self.vehicle.start()
        self.guard.start()
        self._beat()
        await self.until(lambda: bool(self.watch.seen.ready))
        for name, value in self.situation.parameters.items():
            self.set_parameter(name, value)
        await self.wait(0.2)
        self.guard.script_started()
        await self._go_up()
        await self.situation.play(self)
        end_us = self.clock.now_us() + round(self.situation.lasts_s * 1e6)
        while not self.watch.on_ground and self.clock.now_us() < end_us:
            await self.wait(0.25)
        self.hub.close()

    async def _go_up(self) -> None:
        self.mode(ModeName.POSITION_HOLD)
        self.command(ARM, 1)
        await self.until(lambda: self.watch.seen.armed)
        self.command(TAKE_OFF, 0, 0, 0, 0, 0, 0, HOLD_M)
        await self.until(lambda: self.watch.height_m > HOLD_M - 0.3)
        await self.until(lambda: self.flown == "position-hold")
        self.go_to(self.watch.seen.north_m, self.watch.seen.east_m, HOLD_M)
        await self.wait(0.4)
        self.mode(ModeName.SET_POINTS)
        await self.until(lambda: self.flown == "set-points")

    def _beat(self) -> None:
        """The ground's heartbeat once a second, and the stream ten times."""
        now_us = self.clock.now_us()
        self.clock.call_at(now_us + 100_000, self._beat)
        if now_us % 1_000_000 < 100_000:
            self.say(mav.MAVLink_heartbeat_message(6, 8, 0, 0, 0, 3), "pilot")
            if self.speaks:
                self.say(mav.MAVLink_heartbeat_message(6, 8, 0, 0, 0, 3))
        if self.streaming is not None:
            self.script.say(self.streaming())

    def _stream(self, mask: int, six: tuple[float, ...]) -> None:
        def packed() -> bytes:
            message = mav.MAVLink_set_position_target_local_ned_message(0, 1, 1, 1, mask, *six, *(0.0,) * 5)
            return self._script_sender.pack(message)

        self.streaming = packed

    def _note(self, now_us: int, what: str, cause: str) -> None:
        self.safety.append((now_us, what, cause))

    # What came of it

    @property
    def cut(self) -> bool:
        """Whether the script was cut off."""
        return any(kind == "cut-off" for _, kind, _ in self.recorder.events)

    @property
    def end(self) -> str:
        """Where the vehicle is, or who flies it."""
        if self.watch.on_ground:
            return "home" if self.watch.distance_m < 2.0 else "there"
        return "pilot" if self.guard.takeover.taken else "script"

    @property
    def said(self) -> tuple[str, ...]:
        """The safety events, in order."""
        return tuple(what for _, what, _ in self.safety)

    @property
    def changes(self) -> list[tuple[str, str]]:
        """Every change of mode: to what, and by whom."""
        return [
            (str(facts["to"]), str(facts["by"]))
            for _, kind, facts in self.recorder.events
            if kind == "mode-change"
        ]

    def reaction_s(self) -> float | None:
        """From the injection to the first safety event after it."""
        if self.injected_us is None:
            return None
        found = [at_us for at_us, _, _ in self.safety if at_us >= self.injected_us]
        return (found[0] - self.injected_us) / 1e6 if found else None

    def guard_commands(self) -> list[int]:
        """Every command that the guard sent, in order."""
        sent = [
            frame
            for tap, _, frame in self.recorder.frames
            if tap == "station" and wire.system_id(frame) == 254 and wire.message_id(frame) == 76
        ]
        return [struct.unpack_from("<H", wire.payload(frame).ljust(33, b"\0"), 28)[0] for frame in sent]

"""A guard with a vehicle that does what a test says, by telemetry alone: everything it says and notes, in one log.

The vehicle tells its heartbeat, place, battery and landed state ten times a second, 50 ms before the guard looks.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.clock.virtual import VirtualClock
from asflown.flight.guard import Guard
from asflown.flight.guard_terms import GuardTerms
from asflown.flight.watch import VehicleWatch
from asflown.scenario.model import GuardLimits
from tests.unit.link.frames import Sender

MODES: dict[Any, Any] = {
    "set-points": 41,
    "position-hold": 42,
    "safe-recovery": 43,
    "land": 44,
    "take-off": 45,
    "mission": 46,
}
ARRIVES: dict[tuple[int, int], str] = {
    (262, 1): "position-hold",
    (262, 5): "safe-recovery",
    (262, 7): "land",
    (193, 0): "position-hold",
    (20, 0): "safe-recovery",
    (21, 0): "land",
}
"""What a command asks for, by its number and first parameter."""
ACCEPTED, DENIED, TEMPORARILY_REJECTED = 0, 2, 1
INTERVAL_US, LEAD_US = 100_000, 50_000


class Bench:
    """The guard and all around it. `log` has (seconds, what was said) in the order in which it happened."""

    def __init__(self, limits: GuardLimits | None = None, **terms: Any) -> None:
        self.clock, self.watch = VirtualClock(), VehicleWatch()
        self.on_vehicle_frame: list[Any] = []
        self.on_script_frame: list[Any] = []
        self.on_station_frame: list[Any] = []
        self.log: list[tuple[float, str]] = []
        self.events: list[tuple[float, str, dict[str, Any]]] = []
        self.mode, self.armed, self.state, self.landed = "set-points", True, 4, 2
        self.place, self.velocity = [0.0, 0.0, -2.0], [0.0, 0.0, 0.0]
        self.battery: float | None = 0.9
        self.deaf = self.hidden = False
        """Nothing of the vehicle is heard; its position alone is not told."""
        self.answer: Callable[[int], int | None] = lambda command: ACCEPTED
        """What the vehicle answers to a command; it obeys what it accepts, 200 ms later, unless `idle`."""
        self.idle = False
        self._vehicle, self._script, self._station = Sender(1, 1), Sender(245, 190), Sender(250, 190)
        self.guard = Guard(
            GuardTerms(limits=limits or GuardLimits(), **{"modes": MODES, **terms}),
            self.clock,
            self,
            self.watch,
            self._note,
            self._note_event,
        )
        self.clock.call_at(INTERVAL_US - LEAD_US, self._tell)
        self.guard.start()
        self.at(0.01, self.guard.script_started)

    # What the guard needs of a hub

    def inject(self, frame: bytes, source: str) -> None:
        """Hears the guard, and does it."""
        message = mav.MAVLink(None).parse_char(frame)
        asked = f"asks {message.command} {message.param1:g} try {message.confirmation}"
        self._say(f"{source} {asked} of {message.target_system}/{message.target_component}")
        answer = self.answer(message.command)
        if answer is not None:
            self.at(self.now_s() + 0.02, lambda: self._answer(message.command, answer))
        mode = ARRIVES.get((message.command, int(message.param1)))
        if answer == ACCEPTED and mode is not None and not self.idle:
            self.at(self.now_s() + 0.2, lambda: self.enter(mode))

    def cut_off(self, role: str = "script") -> None:
        """Notes it."""
        self._say(f"{role} cut off")

    # What a test does

    def at(self, when_s: float, call: Callable[[], object]) -> None:
        """Calls it then."""
        self.clock.call_at(round(when_s * 1e6), lambda: (call(), None)[1])

    def set(self, when_s: float, **facts: Any) -> None:
        """From then on the vehicle is so."""
        self.at(when_s, lambda: self.__dict__.update(facts))

    def enter(self, mode: str) -> None:
        """The vehicle changes its mode."""
        self.mode = mode

    def script(self, when_s: float, message: Any) -> None:
        """The script says something."""
        self.at(when_s, lambda: self._pass(self.on_script_frame, self._script.pack(message)))

    def station(self, when_s: float, message: Any) -> None:
        """A station says something."""
        self.at(when_s, lambda: self._pass(self.on_station_frame, self._station.pack(message)))

    def vehicle(self, when_s: float, message: Any) -> None:
        """The vehicle says something more."""
        self.at(when_s, lambda: self._pass(self.on_vehicle_frame, self._vehicle.pack(message)))

    def run(self, until_s: float) -> list[tuple[float, str]]:
        """Flies up to then; the whole log."""
        self.clock.run(self.clock.sleep_until(round(until_s * 1e6) + 1))
        return self.log

    def now_s(self) -> float:
        """Flight time."""
        return self.clock.now_us() / 1e6

    def _tell(self) -> None:
        self.clock.call_at(self.clock.now_us() + INTERVAL_US, self._tell)
        if self.deaf:
            return
        told: list[Any] = [
            mav.MAVLink_heartbeat_message(2, 12, 129 if self.armed else 1, MODES[self.mode], self.state, 3),
            mav.MAVLink_extended_sys_state_message(0, self.landed),
        ]
        if not self.hidden:
            told.append(mav.MAVLink_local_position_ned_message(0, *self.place, *self.velocity))
        if self.battery is not None:
            left = round(100 * self.battery)
            told.append(mav.MAVLink_sys_status_message(0, 0, 0, 0, 0, -1, left, 0, 0, 0, 0, 0, 0))
        for message in told:
            self._pass(self.on_vehicle_frame, self._vehicle.pack(message))

    def _answer(self, command: int, result: int) -> None:
        answer = mav.MAVLink_command_ack_message(command, result, 0, 0, 254, 191)
        self._pass(self.on_vehicle_frame, self._vehicle.pack(answer))

    def _pass(self, hooks: list[Any], frame: bytes) -> None:
        for hook in hooks:
            hook(self.clock.now_us(), frame)

    def _say(self, words: str) -> None:
        self.log.append((self.now_s(), words))

    def _note(self, now_us: int, what: str, why: str) -> None:
        assert now_us == self.clock.now_us()
        self._say(f"{what} ({why})")

    def _note_event(self, now_us: int, kind: str, **facts: Any) -> None:
        self.events.append((now_us / 1e6, kind, facts))

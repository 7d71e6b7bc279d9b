"""Bringing a vehicle down: which commands, in which order, and when to stand back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.clock.virtual import VirtualClock
from asflown.link.hub import Hub
from asflown.link.taps import NoRecorder
from asflown.scenario.model import ModeName, ModeNumber
from asflown.vehicle.bring_down import CUSTOM, STANDARD, BringDown, Step
from asflown.vehicle.pilot import PilotWatch, takes_over
from asflown.vehicle.standing import VehicleStanding
from tests.unit.link.frames import Sender
from tests.unit.link.test_hub import NotingEndpoint

ACCEPTED, UNSUPPORTED = int(mav.MAV_RESULT_ACCEPTED), int(mav.MAV_RESULT_UNSUPPORTED)
STEPS = (Step("come-home", 10_000_000), Step("set-down", 10_000_000))
Answers = Mapping[tuple[int, int], int]
"""By command and first parameter: the result; a command that is not there is not answered."""


class Flier(NotingEndpoint):
    """A vehicle in the air that answers as told, and lands five seconds after a command in `lands_by`."""

    def __init__(self, clock: VirtualClock, answers: Answers, lands_by: tuple[int, int] | None) -> None:
        super().__init__("vehicle")
        self.clock, self.answers, self.lands_by = clock, answers, lands_by
        self.sender = Sender(1, 1)
        self.asked: list[tuple[float, int, int]] = []
        """Flight time in seconds, command, first parameter, but for repetitions."""

    def beat(self, armed: bool) -> None:
        """HEARTBEAT and EXTENDED_SYS_STATE."""
        self.say(self.sender.pack(mav.MAVLink_heartbeat_message(2, 0, 128 if armed else 0, 0, 4, 3)))
        landed = mav.MAV_LANDED_STATE_IN_AIR if armed else mav.MAV_LANDED_STATE_ON_GROUND
        self.say(self.sender.pack(mav.MAVLink_extended_sys_state_message(0, landed)))

    def send(self, frame: bytes) -> None:
        """Answers a command."""
        message = mav.MAVLink(None).decode(bytearray(frame))
        command = message.command, int(message.param1 if message.command == STANDARD else message.param2)
        if message.confirmation == 0:
            self.asked.append((self.clock.now_us() / 1e6, *command))
        if command in self.answers:
            answer = mav.MAVLink_command_ack_message(message.command, self.answers[command])
            self.clock.call_at(self.clock.now_us() + 50_000, lambda: self.say(self.sender.pack(answer)))
        if command == self.lands_by:
            self.clock.call_at(self.clock.now_us() + 5_000_000, lambda: self.beat(armed=False))


def brought_down(
    answers: Answers,
    lands_by: tuple[int, int] | None,
    modes: Mapping[ModeName, ModeNumber] | None = None,
    before: Callable[[Any], None] = lambda pilot: None,
) -> tuple[bool, list[tuple[float, int, int]], list[str]]:
    """Whether it came down, what it was asked for, and what was noted."""
    clock = VirtualClock()
    vehicle = Flier(clock, answers, lands_by)
    hub = Hub(clock, NoRecorder(), vehicle, None)
    standing, pilot = VehicleStanding(), PilotWatch()
    hub.on_vehicle_frame.append(standing.frame)
    notes: list[str] = []
    down = BringDown(clock, hub, standing, pilot, lambda what, cause: notes.append(what), modes or {})
    hub.start()
    vehicle.beat(armed=True)
    before(pilot)
    return clock.run(down.run(STEPS, "test")), vehicle.asked, notes


def test_a_vehicle_that_comes_home_is_asked_for_nothing_more() -> None:
    """One command, safe recovery, and then it is down."""
    down, asked, notes = brought_down({(STANDARD, 5): ACCEPTED}, (STANDARD, 5))
    assert (down, asked, notes) == (True, [(0.0, STANDARD, 5.0)], ["come-home"])


def test_one_that_does_not_come_down_in_its_time_is_set_down() -> None:
    """Accepted at once, and still in the air ten seconds later."""
    down, asked, notes = brought_down({(STANDARD, 5): ACCEPTED, (STANDARD, 7): ACCEPTED}, (STANDARD, 7))
    assert down
    assert [(round(at), *command) for at, *command in asked] == [(0, STANDARD, 5), (10, STANDARD, 7)]
    assert notes == ["come-home", "set-down"]


def test_one_that_refuses_is_asked_for_the_next_at_once() -> None:
    """A firmware without safe recovery."""
    answers = {(STANDARD, 5): UNSUPPORTED, (STANDARD, 7): ACCEPTED}
    down, asked, _ = brought_down(answers, (STANDARD, 7))
    assert down
    assert [command for _, _, command in asked] == [5, 7]
    assert asked[1][0] < 1


def test_a_firmware_without_standard_modes_is_asked_for_its_own() -> None:
    """By the number in its vehicle file, main and sub apart."""
    answers = {(STANDARD, 5): UNSUPPORTED, (CUSTOM, 9): ACCEPTED}
    down, asked, _ = brought_down(answers, (CUSTOM, 9), {"safe-recovery": (9, 1)})
    assert down
    assert [(command, number) for _, command, number in asked] == [(STANDARD, 5), (CUSTOM, 9)]


def test_one_that_never_answers_is_not_waited_for_without_end() -> None:
    """Both steps are tried, each command several times, and it is said that it is still up."""
    down, asked, notes = brought_down({}, None)
    assert (down, notes) == (False, ["come-home", "set-down"])
    assert [command for _, _, command in asked] == [5, 7]
    assert asked[1][0] == 4.0


def test_a_pilot_who_flies_is_left_alone() -> None:
    """As long as sticks move, no mode is asked for; afterwards it is."""
    sticks = Sender(254, 25).sticks(600)
    down, asked, notes = brought_down(
        {(STANDARD, 7): ACCEPTED}, (STANDARD, 7), before=lambda pilot: pilot.frame(0, sticks)
    )
    assert down
    assert [(round(at), number) for at, _, number in asked] == [(10, 7)]
    assert notes == ["waits for the pilot to land", "set-down"]


def test_what_counts_as_a_pilot_s_doing() -> None:
    """Moved sticks, channels and modes do; sticks in their middle, questions and heartbeats do not."""
    station = Sender(254, 25)
    assert [takes_over(frame) for frame in (station.sticks(400), station.channels(1500))] == [True, True]
    assert takes_over(station.command(number=CUSTOM))
    quiet = (station.sticks(20), station.command(number=512), station.heartbeat())
    assert not any(takes_over(frame) for frame in quiet)

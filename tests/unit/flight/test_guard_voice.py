"""How the guard asks, at the exact edges of its times, and how it reads answers."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.flight.guard_voice import Voice
from asflown.link import wire
from tests.unit.link.frames import Sender

SECOND_US = 1_000_000
ACCEPTED, DENIED = int(mav.MAV_RESULT_ACCEPTED), int(mav.MAV_RESULT_DENIED)
VEHICLE = Sender(1, 1)


def answer(command: int, result: int, to: tuple[int, int] = (254, 191)) -> bytes:
    """COMMAND_ACK."""
    return VEHICLE.pack(mav.MAVLink_command_ack_message(command, result, 0, 0, *to))


class Asking:
    """A voice; `frames` is what it said."""

    def __init__(self) -> None:
        self.frames: list[bytes] = []
        self.voice = Voice(self.frames.append, {})

    def tick(self, at_us: int) -> int:
        """Lets it speak; how often it has spoken."""
        self.voice.tick(at_us, (1, 1), works=False)
        return len(self.frames)

    def commands(self) -> list[int]:
        """What it asked for."""
        return [mav.MAVLink(None).parse_char(frame).command for frame in self.frames]


def test_the_guard_speaks_as_system_254_and_onboard_computer() -> None:
    """So that answers come to it, and nobody takes it for the script."""
    asking = Asking()
    asking.voice.ask("set-down")
    asking.tick(0)
    assert [(wire.system_id(frame), wire.component_id(frame)) for frame in asking.frames] == [(254, 191)]


def test_before_it_is_told_what_for_it_is_silent_and_deaf() -> None:
    """And so when it has been told to be."""
    asking = Asking()
    asking.voice.frame(0, answer(262, DENIED))
    assert asking.tick(0) == 0
    asking.voice.ask("set-down")
    assert asking.tick(0) == 1
    asking.voice.be_silent()
    asking.voice.frame(0, answer(262, DENIED))
    assert asking.tick(9 * SECOND_US) == 1


@pytest.mark.parametrize("result", [ACCEPTED, DENIED])
def test_an_answer_to_nobody_in_particular_counts(result: int) -> None:
    """COMMAND_ACK without a target; MAVLink 2 leaves the zeros at its end away."""
    asking = Asking()
    asking.voice.ask("set-down")
    asking.tick(0)
    asking.voice.frame(1, answer(262, result, (0, 0)))
    assert asking.voice.accepted == (result == ACCEPTED)
    asking.tick(100_000)
    assert asking.commands() == ([262] if result == ACCEPTED else [262, 21])


def test_what_was_accepted_has_two_and_a_half_seconds_to_show() -> None:
    """From the acceptance on, to the microsecond."""
    asking = Asking()
    asking.voice.ask("stop-here")
    asking.tick(0)
    asking.voice.frame(100_000, answer(262, ACCEPTED))
    assert (asking.tick(2_599_999), asking.tick(2_600_000)) == (1, 2)
    assert asking.commands() == [262, 193]


def test_who_refused_everything_is_asked_every_three_seconds() -> None:
    """Whether it answers then or not."""
    asking = Asking()
    asking.voice.ask("set-down")
    for at_us, command in ((0, 262), (100_000, 21)):
        asking.tick(at_us)
        asking.voice.frame(at_us, answer(command, DENIED))
    assert asking.voice.refused
    spoken = [asking.tick(at_us) for at_us in (3_099_999, 3_100_000, 6_099_999, 6_100_000)]
    assert spoken == [2, 3, 3, 4]

"""Whose doing a change of mode is, and what makes a takeover of the pilot's."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.flight.mode_requests import mode_request
from asflown.flight.pilot_sticks import StickWatch
from tests.unit.flight.takeover_bench import SCRIPT, SECOND_US, STATION, VEHICLE, Watching, set_mode


@pytest.mark.parametrize(
    ("before", "after", "by"),
    [
        (45, 42, "vehicle"),  # take-off done
        (46, 43, "vehicle"),  # mission ended
        (43, 44, "vehicle"),  # arrived at home
        (41, 42, "vehicle"),  # no set-point for longer than its time-out
        (42, 44, "unknown"),
        (42, 99, "unknown"),
        (42, 50, "pilot"),
    ],
)
def test_a_change_that_nobody_asked_for(before: int, after: int, by: str) -> None:
    """What the mode before explains is the vehicle's own, a pilot mode is the pilot's, the rest is unknown."""
    watching = Watching()
    watching.beat(0.0, before)
    watching.beat(10.0, after)
    watching.beat(12.0, after)
    assert [by for _, by in watching.changes] == [by]
    assert bool(watching.taken) == (by == "pilot")


def test_a_failsafe_is_told_by_the_state_that_comes_with_it_or_soon_after() -> None:
    """MAV_STATE_CRITICAL (5) within 1.5 s of the change."""
    watching = Watching()
    watching.beat(0.0, 42)
    watching.beat(1.0, 44)
    assert watching.changes == []
    watching.beat(2.0, 44, state=5)
    assert watching.changes == [("land", "vehicle")]


def test_a_failsafe_is_told_by_the_mode_that_was_intended() -> None:
    """CURRENT_MODE: land is flown, and position hold was asked for."""
    watching = Watching()
    watching.beat(0.0, 42)
    watching.current_mode(1.0, 7, 44, intended=42)
    assert watching.changes == [("land", "vehicle")]


def test_the_script_and_the_guard_own_what_they_asked_for_once() -> None:
    """A later change to the same mode is not theirs any more."""
    watching = Watching()
    watching.beat(0.0, 42)
    watching.takeover.script_frame(SECOND_US, set_mode(SCRIPT, 44))
    watching.beat(2.0, 44)
    watching.beat(3.0, 42)
    watching.beat(4.6, 42)
    watching.takeover.guard_asked(5 * SECOND_US, "set-down")
    watching.beat(6.0, 44)
    assert watching.changes == [("land", "script"), ("position-hold", "unknown"), ("land", "guard")]
    assert watching.taken == []


def test_the_pilot_takes_over_once() -> None:
    """The first mode command of a station counts; before the flight none does."""
    watching = Watching()
    watching.takeover.watching = False
    watching.takeover.station_frame(1, set_mode(STATION, 42))
    watching.takeover.watching = True
    watching.takeover.station_frame(2, set_mode(STATION, 42))
    watching.takeover.station_frame(3, set_mode(STATION, 44))
    assert watching.taken == [(2, "a station asked for a mode (MAV_CMD_DO_SET_MODE)")]


def test_what_is_for_another_system_asks_this_one_for_nothing() -> None:
    """A mode command to system 7 is no takeover of system 1."""
    message = mav.MAVLink_command_long_message(7, 1, 176, 0, 1, 42, 0, 0, 0, 0, 0)
    assert mode_request(0, STATION.pack(message), 1) is None
    assert mode_request(0, STATION.pack(message), 7) is not None


def manual(x: int = 0, y: int = 0, z: int = 500, r: int = 0) -> bytes:
    """MANUAL_CONTROL."""
    return STATION.pack(mav.MAVLink_manual_control_message(1, x, y, z, r, 0))


@pytest.mark.parametrize(
    ("frames", "taken"),
    [
        ([manual()] * 9, False),
        ([manual(z=0)] * 9, False),  # z at rest is 0 where it runs from -1000
        ([manual(x=400)] * 2 + [manual()] + [manual(x=400)] * 2, False),
        ([manual(x=400)] * 3, True),
        ([manual(), *[manual(z=900)] * 3], True),
        ([manual(z=0), *[manual(z=500)] * 3], True),
        ([manual(x=0x7FFF, y=0x7FFF, z=0x7FFF, r=0x7FFF)] * 9, False),
        ([manual(r=-101)] * 3, True),
        ([manual(r=-100)] * 9, False),
    ],
)
def test_sticks_take_over_when_they_leave_their_dead_band_for_several_messages(
    frames: list[bytes], taken: bool
) -> None:
    """Three messages in a row beyond a tenth of the way; axes that are not used do not count."""
    watch = StickWatch()
    assert any(watch.station(frame) for frame in frames) == taken


def received(*channels: int) -> bytes:
    """RC_CHANNELS: what the vehicle's own receiver hears."""
    filled = (*channels, *(65535,) * (18 - len(channels)))
    return VEHICLE.pack(mav.MAVLink_rc_channels_message(0, 16, *filled, 200))


def test_the_vehicle_s_own_receiver_is_compared_with_where_its_sticks_were() -> None:
    """A throttle that rests low is no takeover; a stick that moves is; channels without a signal say nothing."""
    watch = StickWatch()
    rest, moved, nothing = (1500, 1500, 1000, 1500), (1500, 1600, 1000, 1500), (0, 0, 0, 0)
    frames = [received(*values) for values in (nothing, rest, rest, rest, nothing, moved, moved)]
    assert not any(watch.vehicle(0, frame) for frame in frames)
    assert watch.vehicle(0, received(*moved))


def test_channels_that_a_script_moves_are_not_the_pilot_s() -> None:
    """A script that flies by RC_CHANNELS_OVERRIDE moves what the vehicle reports."""
    watch = StickWatch()
    watch.vehicle(0, received(1500, 1500, 1500, 1500))
    override = mav.MAVLink_rc_channels_override_message(1, 1, 1700, *(65535,) * 7)
    watch.script(SECOND_US, SCRIPT.pack(override))
    assert not any(watch.vehicle(2 * SECOND_US, received(1700, 1500, 1500, 1500)) for _ in range(9))

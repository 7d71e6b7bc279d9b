"""What is told of a change of mode, as a whole, and the exact edges of what explains it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.flight.guard_terms import GuardTerms
from asflown.flight.takeover import ModeChange, Takeover
from asflown.flight.watch import VehicleWatch
from tests.unit.flight.takeover_bench import SCRIPT, SECOND_US, STATION, Watching, set_mode

NOBODY = "nobody asked for it, and the vehicle does not say why"
NAMES: dict[int, Any] = {
    41: "set-points",
    42: "position-hold",
    43: "safe-recovery",
    44: "land",
    45: "take-off",
    46: "mission",
}
MICROSECOND_S = 1e-6


def record(at_s: float, before: int, after: int, by: Any, why: str) -> ModeChange:
    """What is told of a change."""
    return ModeChange(round(at_s * SECOND_US), NAMES.get(before), NAMES.get(after), after, by, why)


def standard_mode(number: int) -> Any:
    """MAV_CMD_DO_SET_STANDARD_MODE."""
    return mav.MAVLink_command_long_message(1, 1, 262, 0, number, 0, 0, 0, 0, 0, 0)


def alarm(severity: int = 2) -> Any:
    """STATUSTEXT."""
    return mav.MAVLink_statustext_message(severity, b"battery failing")


def manual(forward: int) -> bytes:
    """MANUAL_CONTROL of a station."""
    return STATION.pack(mav.MAVLink_manual_control_message(1, forward, 0, 500, 0, 0))


def test_at_first_nobody_has_taken_over_and_no_takeover_counts() -> None:
    """Until the script flies."""
    takeover = Takeover(GuardTerms(), VehicleWatch(), lambda change: None, lambda now_us, how: None)
    assert (takeover.taken, takeover.watching) == ("", False)


@pytest.mark.parametrize(
    ("before", "after", "by", "why"),
    [
        (45, 42, "vehicle", "take-off done"),
        (46, 42, "vehicle", "mission ended"),
        (46, 44, "vehicle", "mission ended"),
        (46, 43, "vehicle", "mission ended"),
        (43, 44, "vehicle", "arrived at home"),
        (41, 42, "vehicle", "set-point time-out"),
        (45, 44, "unknown", NOBODY),
        (42, 99, "unknown", NOBODY),
        (99, 44, "unknown", NOBODY),
        (42, 50, "pilot", "a mode of the pilot's"),
    ],
)
def test_what_is_told_of_a_change_that_nobody_asked_for(before: int, after: int, by: str, why: str) -> None:
    """When, from what, to what, whose doing, and why; a mode without a name is its number."""
    watching = Watching()
    watching.beat(0.0, before)
    watching.beat(10.0, after)
    watching.tick(11.5)
    assert watching.records == [record(10, before, after, by, why)]
    assert watching.taken == ([(10 * SECOND_US, "pilot mode 50")] if by == "pilot" else [])


@pytest.mark.parametrize(
    ("armed", "landed", "state", "by", "why"),
    [
        (True, 2, 4, "unknown", NOBODY),
        (False, 2, 4, "vehicle", "not flying"),
        (True, 1, 4, "vehicle", "not flying"),
        (True, 2, 5, "vehicle", "its own failsafe"),
        (True, 2, 6, "vehicle", "its own failsafe"),
    ],
)
def test_what_the_vehicle_is_in_explains_its_change(
    armed: bool, landed: int, state: int, by: str, why: str
) -> None:
    """Disarmed or on the ground it may do as it likes; in distress it acts by itself."""
    watching = Watching()
    watching.beat(0.0, 42)
    watching.hear(9.0, mav.MAVLink_extended_sys_state_message(0, landed))
    watching.beat(10.0, 44, state, armed=armed)
    watching.tick(11.5)
    assert watching.records == [record(10, 42, 44, by, why)]


@pytest.mark.parametrize(
    ("at_s", "severity", "explains"),
    [
        (8.5, 2, True),
        (8.5 - MICROSECOND_S, 2, False),
        (11.5, 2, True),
        (10.0, 2, True),
        (10.0, 3, False),
    ],
)
def test_an_alarm_explains_what_happens_within_a_second_and_a_half(
    at_s: float, severity: int, explains: bool
) -> None:
    """Before or after, with its words; what is less than critical explains nothing."""
    watching = Watching()
    watching.beat(0.0, 42)
    events: list[tuple[float, Callable[[], None]]] = [
        (10.0, lambda: watching.beat(10.0, 44)),
        (at_s, lambda: watching.hear(at_s, alarm(severity))),
    ]
    for _, event in sorted(events, key=lambda pair: pair[0]):
        event()
    watching.tick(11.5)
    why = "its own failsafe (battery failing)" if explains else NOBODY
    assert watching.records == [record(10, 42, 44, "vehicle" if explains else "unknown", why)]


@pytest.mark.parametrize(
    ("set_point_s", "at_s", "by"),
    [
        (None, 0.4, "vehicle"),
        (None, 0.4 - MICROSECOND_S, "unknown"),
        (0.3, 0.7, "vehicle"),
        (0.3, 0.7 - MICROSECOND_S, "unknown"),
    ],
)
def test_set_points_have_ended_after_four_fifths_of_their_time_out(
    set_point_s: float | None, at_s: float, by: str
) -> None:
    """0.4 s of 0.5 s, from the last one or from the start: the radio may have delayed the last one."""
    watching = Watching()
    watching.beat(0.0, 41)
    if set_point_s is not None:
        watching.takeover.script_frame(round(set_point_s * SECOND_US), SCRIPT.set_point(1.0))
    watching.beat(at_s, 42)
    watching.tick(9.0)
    why = "set-point time-out" if by == "vehicle" else NOBODY
    assert watching.records == [record(at_s, 41, 42, by, why)]


def test_an_unexplained_change_waits_for_a_second_and_a_half() -> None:
    """Not a microsecond less, and no longer."""
    watching = Watching()
    watching.beat(0.0, 42)
    watching.beat(10.0, 44)
    watching.tick(11.5 - MICROSECOND_S)
    assert watching.records == []
    watching.tick(11.5)
    assert watching.records == [record(10, 42, 44, "unknown", NOBODY)]


def by_script(watching: Watching, message: bytes) -> None:
    """The script asks."""
    watching.takeover.script_frame(9 * SECOND_US, message)


def by_station(watching: Watching, message: bytes) -> None:
    """A station asks."""
    watching.takeover.station_frame(9 * SECOND_US, message)


def by_guard(watching: Watching, _message: bytes) -> None:
    """The guard asks for a landing."""
    watching.takeover.guard_asked(9 * SECOND_US, "set-down")


LAND, NUMBER_44 = SCRIPT.pack(standard_mode(7)), set_mode(SCRIPT, 44)


@pytest.mark.parametrize(
    ("ask", "message", "after", "by", "why"),
    [
        (by_script, LAND, 44, "script", "asked for"),
        (by_script, LAND, 45, "unknown", NOBODY),
        (by_script, NUMBER_44, 44, "script", "asked for"),
        (by_script, NUMBER_44, 45, "unknown", NOBODY),
        (by_station, LAND, 44, "pilot", "asked for by a station"),
        (by_station, LAND, 45, "unknown", NOBODY),
        (by_station, NUMBER_44, 44, "pilot", "asked for by a station"),
        (by_station, NUMBER_44, 45, "unknown", NOBODY),
        (by_guard, LAND, 44, "guard", "asked for"),
        (by_guard, LAND, 45, "unknown", NOBODY),
    ],
)
def test_a_request_owns_the_mode_that_it_asked_for_and_no_other(
    ask: Callable[[Watching, bytes], None], message: bytes, after: int, by: str, why: str
) -> None:
    """By the standard's mode or by number."""
    watching = Watching()
    watching.beat(0.0, 42)
    ask(watching, message)
    watching.beat(10.0, after)
    watching.tick(11.5)
    assert watching.records == [record(10, 42, after, by, why)]


@pytest.mark.parametrize("flown", [42, 0])
def test_to_ask_for_what_is_flown_explains_nothing(flown: int) -> None:
    """The script cannot have brought it about when the vehicle comes back to it."""
    watching = Watching()
    watching.beat(0.0, flown)
    watching.takeover.script_frame(SECOND_US, set_mode(SCRIPT, flown))
    watching.beat(2.0, 99)
    watching.beat(3.0, flown)
    watching.tick(4.5)
    assert watching.records == [
        record(2, flown, 99, "unknown", NOBODY),
        record(3, 99, flown, "unknown", NOBODY),
    ]


@pytest.mark.parametrize(
    ("off_s", "by"),
    [
        (10.0, "pilot"),
        (8.5, "pilot"),
        (8.5 - MICROSECOND_S, "unknown"),
        (10.0 + MICROSECOND_S, "unknown"),
    ],
)
def test_sticks_off_their_middle_explain_what_follows(off_s: float, by: str) -> None:
    """Within a second and a half, and not what came before them; one message alone is no takeover."""
    watching = Watching()
    watching.beat(0.0, 42)
    events: list[tuple[float, Callable[[], None]]] = [
        (off_s, lambda: watching.takeover.station_frame(round(off_s * SECOND_US), manual(400))),
        (10.0, lambda: watching.beat(10.0, 44)),
    ]
    for _, event in sorted(events, key=lambda pair: pair[0]):
        event()
    watching.tick(11.5)
    assert watching.records == [record(10, 42, 44, by, "sticks" if by == "pilot" else NOBODY)]
    assert watching.taken == []


def test_two_changes_between_two_looks_follow_each_other() -> None:
    """What was flown before is known without a look in between."""
    watching = Watching()
    for at_s, mode in ((0.0, 45), (1.0, 42), (1.1, 99), (1.2, 43), (1.3, 44)):
        watching.hear(at_s, mav.MAVLink_heartbeat_message(2, 0, 129, mode, 4, 3))
    watching.tick(9.0)
    assert sorted(watching.records, key=lambda change: change.at_us) == [
        record(1.0, 45, 42, "vehicle", "take-off done"),
        record(1.1, 42, 99, "unknown", NOBODY),
        record(1.2, 99, 43, "unknown", NOBODY),
        record(1.3, 43, 44, "vehicle", "arrived at home"),
    ]


def test_a_pilot_mode_that_has_a_name_is_told_by_it() -> None:
    """And takes over at that moment."""
    watching = Watching(GuardTerms(modes={"land": 44, "position-hold": 42}, pilot_modes=(42,)))
    watching.beat(0.0, 44)
    watching.beat(1.0, 42)
    assert watching.records == [record(1, 44, 42, "pilot", "a mode of the pilot's")]
    assert watching.taken == [(SECOND_US, "pilot mode 42")]


def received(first: int) -> Any:
    """RC_CHANNELS."""
    return mav.MAVLink_rc_channels_message(0, 16, first, *[1500] * 3, *[65535] * 14, 200)


def test_the_vehicle_s_own_receiver_takes_over() -> None:
    """At the third message off its rest, and told so."""
    watching = Watching()
    for at_s, first in ((1.0, 1500), (2.0, 1600), (3.0, 1600), (4.0, 1600)):
        watching.hear(at_s, received(first))
    assert watching.taken == [(4 * SECOND_US, "sticks of the vehicle's own receiver moved")]


def test_a_script_that_moves_sticks_is_not_the_vehicle_s_receiver() -> None:
    """What the vehicle reports of its channels for three seconds after is the script's doing."""
    watching = Watching()
    watching.hear(0.5, received(1500))
    watching.takeover.script_frame(SECOND_US, SCRIPT.channels(1700))
    for at_s in (1.5, 2.0, 2.5, 3.0, 3.5):
        watching.hear(at_s, received(1700))
    assert watching.taken == []


def test_a_station_that_speaks_to_another_system_takes_nothing_over() -> None:
    """Of a vehicle that is not system 1."""
    watching = Watching(GuardTerms(system=7))
    watching.takeover.station_frame(1, set_mode(STATION, 42))
    watching.takeover.script_frame(1, set_mode(SCRIPT, 42))
    watching.beat(0.0, 41)
    watching.beat(0.1, 42)
    watching.tick(9.0)
    assert [change.by for change in watching.records] == ["unknown"]
    assert watching.taken == []

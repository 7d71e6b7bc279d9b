"""The built-in vehicle against the MAVLink standard: numbers of the definitions, behaviour of the guide's chapters.

Numbers: the message definitions `common.xml` with what it includes, read here as they ship with pymavlink, and
the table of rows OC-MAV-24, 26 and 27. Behaviour: MAVLink developer guide, services; the chapter stands beside
each check.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from importlib import resources
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.sim import answer, set_points, status
from asflown.sim.identity import STANDARD_MODES, ModeName
from tests.unit.sim.rig import POSITION_ONLY, Rig

NAN = math.nan


@cache
def defined(enumeration: str) -> dict[str, int]:
    """Names and values of an enumeration in the published definitions."""
    found: dict[str, int] = {}
    for file in ("common.xml", "standard.xml", "minimal.xml"):
        text = resources.files("pymavlink.dialects.v20").joinpath(file).read_text(encoding="utf-8")
        for enum in ET.fromstring(text).iter("enum"):
            if enum.get("name") == enumeration:
                found |= {
                    str(entry.get("name")): int(str(entry.get("value"))) for entry in enum.iter("entry")
                }
    return found


# --- numbers ---

TYPEMASK = {
    "X_IGNORE": 1, "Y_IGNORE": 2, "Z_IGNORE": 4, "VX_IGNORE": 8, "VY_IGNORE": 16, "VZ_IGNORE": 32,
    "AX_IGNORE": 64, "AY_IGNORE": 128, "AZ_IGNORE": 256, "FORCE_SET": 512, "YAW_IGNORE": 1024,
    "YAW_RATE_IGNORE": 2048,
}  # fmt: skip


def test_type_mask_bits_are_those_of_the_definitions() -> None:
    """OC-MAV-24: twelve bits, and the groups that the vehicle reads them in."""
    prefix = "POSITION_TARGET_TYPEMASK_"
    assert defined("POSITION_TARGET_TYPEMASK") == {prefix + name: bit for name, bit in TYPEMASK.items()}
    assert set_points.IGNORE_POSITION == 1 + 2 + 4
    assert set_points.IGNORE_VELOCITY == 8 + 16 + 32
    assert set_points.IGNORE_ACCELERATION == 64 + 128 + 256
    assert (set_points.FORCE, set_points.IGNORE_YAW, set_points.IGNORE_YAW_RATE) == (512, 1024, 2048)


@pytest.mark.parametrize(
    ("mask", "controlled"),
    [
        (0x0DF8, {"north_m", "east_m", "down_m"}),
        (0x0DC7, {"velocity_north_m_s", "velocity_east_m_s", "velocity_down_m_s"}),
    ],
    ids=["0x0DF8 position only", "0x0DC7 velocity only"],
)  # fmt: skip
def test_sums_of_type_mask_bits(mask: int, controlled: set[str]) -> None:
    """OC-MAV-24: the two sums that scripts use most control exactly their three axes."""
    message = mav.MAVLink_set_position_target_local_ned_message(0, 1, 1, 1, mask, *range(1, 12))
    vantage = Rig().craft.autopilot.vantage()
    point = set_points.from_local(message, vantage)
    assert {name for name in point.__slots__ if getattr(point, name) is not None} == controlled


COMMANDS = {
    16: "NAV_WAYPOINT", 20: "NAV_RETURN_TO_LAUNCH", 21: "NAV_LAND", 22: "NAV_TAKEOFF", 115: "CONDITION_YAW",
    176: "DO_SET_MODE", 178: "DO_CHANGE_SPEED", 192: "DO_REPOSITION", 400: "COMPONENT_ARM_DISARM",
    511: "SET_MESSAGE_INTERVAL", 512: "REQUEST_MESSAGE",
}  # fmt: skip


@pytest.mark.parametrize(("number", "name"), COMMANDS.items(), ids=COMMANDS.values())
def test_command_numbers(number: int, name: str) -> None:
    """OC-MAV-26: the definitions give this number, and the vehicle knows the command by it."""
    assert defined("MAV_CMD")[f"MAV_CMD_{name}"] == number
    result = Rig().command(number, NAN)
    in_missions_only = number == 16
    assert (result == defined("MAV_RESULT")["MAV_RESULT_UNSUPPORTED"]) is in_missions_only


RESULTS = {
    "ACCEPTED": (0, answer.ACCEPTED),
    "TEMPORARILY_REJECTED": (1, answer.NOT_NOW),
    "DENIED": (2, answer.DENIED),
    "UNSUPPORTED": (3, answer.UNSUPPORTED),
    "FAILED": (4, answer.FAILED),
    "COMMAND_INT_ONLY": (8, answer.COMMAND_INT_ONLY),
}


@pytest.mark.parametrize(("name", "numbers"), RESULTS.items(), ids=RESULTS)
def test_result_numbers(name: str, numbers: tuple[int, int]) -> None:
    """OC-MAV-27: table, definitions and vehicle agree."""
    expected, ours = numbers
    assert defined("MAV_RESULT")[f"MAV_RESULT_{name}"] == expected == ours


def test_the_result_that_the_definitions_here_lack() -> None:
    """Guide, Command Protocol: unsupported frame is 9; this pymavlink ends at 8, so the value is from the guide."""
    assert answer.UNSUPPORTED_FRAME == 9
    assert 9 not in defined("MAV_RESULT").values()


def test_standard_mode_numbers() -> None:
    """OC-MAV-27: position hold 1, orbit 2, safe recovery 5, mission 6, land 7, take-off 8."""
    names = {
        ModeName.POSITION_HOLD: "POSITION_HOLD", ModeName.SAFE_RECOVERY: "SAFE_RECOVERY",
        ModeName.MISSION: "MISSION", ModeName.LAND: "LAND", ModeName.TAKE_OFF: "TAKEOFF",
        ModeName.ORBIT: "ORBIT",
    }  # fmt: skip
    standard = defined("MAV_STANDARD_MODE")
    assert {standard[f"MAV_STANDARD_MODE_{names[mode]}"]: n for mode, n in STANDARD_MODES.items()} == {
        1: 1, 2: 2, 5: 5, 6: 6, 7: 7, 8: 8,
    }  # fmt: skip


def test_numbers_of_states_in_a_flight() -> None:
    """OC-MAV-27: standby 3, active 4, critical 5, emergency 6; armed 128; ground 1, air 2, take-off 3, landing 4."""
    rig = Rig()
    seen: list[tuple[int, int, int]] = []

    def note() -> None:
        pilot = rig.craft.autopilot
        armed = status.base_mode(pilot) & 128
        seen.append((status.system_state(pilot), armed, status.landed_state(pilot)))

    rig.run(0.1, note)
    rig.command(400, 1)
    rig.run(0.1, note)
    rig.command(22, 0, 0, 0, 0, 0, 0, 4.0)
    rig.run(6.0, note)
    rig.core.readings.battery_remaining = 0.14
    rig.run(0.3, note)
    rig.core.readings.battery_remaining = 0.05
    rig.run(25.0, note)
    # After landing it may not be armed again with that battery: calibrating (2), not flight-ready.
    assert list(dict.fromkeys(seen)) == [
        (3, 0, 1), (4, 128, 1), (4, 128, 3), (4, 128, 2), (5, 128, 4), (6, 128, 4), (6, 128, 1), (2, 0, 1),
    ]  # fmt: skip


# --- Command Protocol ---


def test_an_acknowledgement_is_addressed_to_the_sender() -> None:
    """Guide, Command Protocol: same command id, target = who asked, each command one answer."""
    rig = Rig()
    rig.station.srcSystem, rig.station.srcComponent = 201, 77
    reply = rig.ask(mav.MAVLink_command_long_message(1, 1, 400, 0, 1, 0, 0, 0, 0, 0, 0))
    acks = [m for m in reply if m.get_type() == "COMMAND_ACK"]
    assert [(m.command, m.result, m.target_system, m.target_component) for m in acks] == [(400, 0, 201, 77)]


def relative_turn(rig: Rig, confirmation: int) -> int:
    """Asks for 90 degrees to the right of where the craft looks: doing it twice would matter."""
    return rig.command(mav.MAV_CMD_CONDITION_YAW, 90, 90, 1, 1, confirmation=confirmation)


def test_a_repeated_command_is_answered_but_not_carried_out_twice() -> None:
    """Guide, Command Protocol: the sender repeats with confirmation + 1 when the answer was lost."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    assert [relative_turn(rig, confirmation) for confirmation in (0, 1, 2)] == [0, 0, 0]
    rig.run(6.0)
    assert math.degrees(rig.core.estimate.yaw_rad) == pytest.approx(90, abs=1)


def test_the_same_command_asked_for_anew_is_carried_out_again() -> None:
    """Guide, Command Protocol: confirmation 0 is a command of its own."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    for _ in range(2):
        relative_turn(rig, 0)
        rig.run(4.0)
    assert abs(math.degrees(rig.core.estimate.yaw_rad)) == pytest.approx(180, abs=1)


def test_a_repetition_whose_first_was_lost_is_carried_out() -> None:
    """Guide, Command Protocol: the vehicle cannot know a command that never came."""
    rig = Rig()
    assert rig.command(400, 1, confirmation=3) == 0
    assert rig.armed()


def test_two_senders_do_not_answer_for_each_other() -> None:
    """Guide, Command Protocol: a repetition is one of the same sender."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    relative_turn(rig, 0)
    rig.run(4.0)
    rig.station.srcSystem = 254
    rig.ask(mav.MAVLink_command_long_message(1, 1, 115, 1, 90, 90, 1, 1, 0, 0, 0))
    rig.run(4.0)
    assert abs(math.degrees(rig.core.estimate.yaw_rad)) == pytest.approx(180, abs=1)


@pytest.mark.parametrize(
    ("number", "params", "result"),
    [
        (60_000, (), "UNSUPPORTED"),
        (400, (7.0,), "DENIED"),
        (22, (0, 0, 0, 0, 0, 0, 5.0), "TEMPORARILY_REJECTED"),
        (262, (3.0,), "FAILED"),
        (400, (1.0,), "ACCEPTED"),
    ],
    ids=["not known", "parameters invalid", "not now", "mode not supported", "valid"],
)
def test_what_each_result_means(number: int, params: tuple[float, ...], result: str) -> None:
    """Guide, Command Protocol (results) and Standard Modes (FAILED for a mode that is not supported)."""
    assert Rig().command(number, *params) == defined("MAV_RESULT")[f"MAV_RESULT_{result}"]


def test_no_command_claims_to_be_in_progress() -> None:
    """Guide, Command Protocol: IN_PROGRESS is for commands that run for long; this vehicle has none."""
    rig = Rig()
    rig.fly_in(ModeName.SET_POINTS)
    for number in range(600):
        rig.send(mav.MAVLink_command_long_message(1, 1, number, 0, 1, 0, 0, 0, 0, 0, 0))
        rig.run(0.01)
    results = {ack.result for ack in rig.of_type("COMMAND_ACK")}
    assert len(rig.of_type("COMMAND_ACK")) >= 600
    assert defined("MAV_RESULT")["MAV_RESULT_IN_PROGRESS"] not in results


def test_a_position_that_floats_cannot_hold_needs_the_integer_form() -> None:
    """Guide, Command Protocol: COMMAND_INT_ONLY (8)."""
    assert Rig().command(179, 0, 0, 0, 0, 52.0, 4.5, 0.0) == 8


def test_a_frame_that_is_not_supported_is_told_apart() -> None:
    """Guide, Command Protocol: COMMAND_UNSUPPORTED_MAV_FRAME (9)."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    terrain = defined("MAV_FRAME")["MAV_FRAME_GLOBAL_TERRAIN_ALT_INT"]
    assert rig.command_int(192, terrain, (-1, 1, 0, NAN), 520_000_000, 45_000_000, 5.0) == 9


# --- other chapters ---


def test_current_mode_on_every_change_and_every_other_second() -> None:
    """Guide, Standard Modes: streamed at a low rate (0.5 Hz here) and sent on change, with the intended mode."""
    rig = Rig()
    rig.run(10.0)
    assert len(rig.of_type("CURRENT_MODE")) == 5
    rig.fly_in(ModeName.SET_POINTS)
    seen = dict.fromkeys(mode.custom_mode for mode in rig.of_type("CURRENT_MODE"))
    assert list(seen) == [4301, 4306, 4302]


def test_every_available_mode_is_described_once() -> None:
    """Guide, Standard Modes: AVAILABLE_MODES with parameter 2 = 0 sends all, index from 1."""
    rig = Rig()
    rig.command(512, development.MAVLINK_MSG_ID_AVAILABLE_MODES)
    indices = [mode.mode_index for mode in rig.of_type("AVAILABLE_MODES")]
    assert indices == list(range(1, rig.of_type("AVAILABLE_MODES")[0].number_modes + 1))


def test_timesync() -> None:
    """OC-MAV-21, guide, Time Synchronization: the answer mirrors ts1 and puts its own time, not 0, into tc1."""
    rig = Rig()
    rig.run(5.0)
    (reply,) = [m for m in rig.ask(mav.MAVLink_timesync_message(0, 1000)) if m.get_type() == "TIMESYNC"]
    assert reply.ts1 == 1000
    assert reply.tc1 == 5_010_000_000


def test_a_parameter_is_set_with_a_broadcast_answer_even_when_refused() -> None:
    """Guide, Parameter Protocol: PARAM_VALUE to everybody; refused, it holds the unchanged value."""
    rig = Rig()
    for value in (2.5, -1.0):
        rig.ask(mav.MAVLink_param_set_message(1, 1, b"speed.travel", value, mav.MAV_PARAM_TYPE_REAL32))
    assert [m.param_value for m in rig.of_type("PARAM_VALUE")] == [2.5, 2.5]


def _whole_parameter(rig: Rig) -> float:
    rig.ask(mav.MAVLink_param_request_read_message(1, 1, b"link.loss.act", -1))
    return float(rig.of_type("PARAM_VALUE")[-1].param_value)


def _follows_local(rig: Rig) -> bool:
    rig.fly_in(ModeName.SET_POINTS)
    rig.set_point(1, POSITION_ONLY, (3, 0, -10))
    rig.run(8.0)
    return math.dist(rig.place, (3, 0, 10)) < 0.1


def _follows_global(rig: Rig) -> bool:
    rig.fly_in(ModeName.SET_POINTS)
    latitude_deg, longitude_deg, _ = rig.craft.autopilot.situation.plane().to_geodetic(0, 4, 0)
    place = round(latitude_deg * 1e7), round(longitude_deg * 1e7)
    rig.send(
        mav.MAVLink_set_position_target_global_int_message(
            0, 1, 1, 6, 0xDF8, *place, 9.0, 0, 0, 0, 0, 0, 0, 0, 0
        )
    )
    rig.run(8.0)
    return math.dist(rig.place, (0, 4, 9)) < 0.1


def _asks_for_item(rig: Rig) -> bool:
    rig.ask(mav.MAVLink_mission_count_message(1, 1, 1))
    return len(rig.of_type("MISSION_REQUEST_INT")) == 1


def _takes_float_item(rig: Rig) -> bool:
    rig.ask(mav.MAVLink_mission_count_message(1, 1, 1))
    rig.ask(mav.MAVLink_mission_item_message(1, 1, 0, 3, 22, 0, 1, 0, 0, 0, 0, 0, 0, 5.0))
    return bool(rig.of_type("MISSION_ACK")[-1].type == mav.MAV_MISSION_ACCEPTED)


def _takes_a_plan(mission_type: int, command: int) -> Callable[[Rig], bool]:
    def check(rig: Rig) -> bool:
        rig.ask(mav.MAVLink_mission_count_message(1, 1, 1, mission_type))
        item = (0, 3, command, 0, 1, 50.0, 0, 0, 0, 520_000_000, 45_000_000, 0, mission_type)
        rig.ask(mav.MAVLink_mission_item_int_message(1, 1, *item))
        return bool(rig.of_type("MISSION_ACK")[-1].type == mav.MAV_MISSION_ACCEPTED)

    return check


CAPABILITY_CHECKS: dict[str, Any] = {
    "COMMAND_INT": lambda rig: rig.command_int(512, 0, (30, 0, 0, 0), 0, 0, 0.0) == 0,
    "PARAM_ENCODE_C_CAST": lambda rig: _whole_parameter(rig) == 1.0,
    "SET_POSITION_TARGET_LOCAL_NED": _follows_local,
    "SET_POSITION_TARGET_GLOBAL_INT": _follows_global,
    "MISSION_FENCE": _takes_a_plan(1, 5003),
    "MISSION_RALLY": _takes_a_plan(2, 5100),
    "MISSION_INT": _asks_for_item,
    "MISSION_FLOAT": _takes_float_item,
    "MAVLINK2": lambda rig: {frame[0] for frame in rig.frames} == {0xFD},
}


def capabilities(rig: Rig) -> set[str]:
    """The names of the bits that AUTOPILOT_VERSION announces."""
    rig.command(512, mav.MAVLINK_MSG_ID_AUTOPILOT_VERSION)
    announced = rig.of_type("AUTOPILOT_VERSION")[-1].capabilities
    prefix = "MAV_PROTOCOL_CAPABILITY_"
    return {
        name.removeprefix(prefix)
        for name, bit in defined("MAV_PROTOCOL_CAPABILITY").items()
        if announced & bit
    }


def test_nothing_is_announced_that_is_not_checked_here() -> None:
    """Guide, Autopilot capabilities: they must be true, so each bit has a check below."""
    assert capabilities(Rig()) == set(CAPABILITY_CHECKS)


@pytest.mark.parametrize("name", CAPABILITY_CHECKS)
def test_an_announced_capability_is_there(name: str) -> None:
    """Guide, Autopilot capabilities: what is announced works."""
    rig = Rig()
    rig.run(0.1)
    assert CAPABILITY_CHECKS[name](rig)


def test_the_release_is_the_software_version() -> None:
    """AUTOPILOT_VERSION.flight_sw_version: major number in the highest byte, type (official 255) in the lowest."""
    rig = Rig()
    rig.command(512, mav.MAVLINK_MSG_ID_AUTOPILOT_VERSION)
    version = rig.of_type("AUTOPILOT_VERSION")[-1].flight_sw_version
    assert (version >> 24, version & 0xFF) == (1, 255)


def test_heartbeats_come_once_a_second() -> None:
    """Guide, Heartbeat/Connection Protocol: 1 Hz, by a component that is named an autopilot."""
    rig = Rig()
    rig.run(10.0)
    beats = rig.of_type("HEARTBEAT")
    assert len(beats) == 10
    assert all(beat.autopilot != mav.MAV_AUTOPILOT_INVALID for beat in beats)

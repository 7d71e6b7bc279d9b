"""The cases of the conformance table: what is sent, in which state, and what else is looked at."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

NAN = math.nan
RELATIVE, LOCAL, TERRAIN = 6, 1, 11
HERE = (NAN, NAN)


@dataclass(frozen=True)
class CommandCase:
    """A command as it is sent; without a frame it is a COMMAND_LONG."""

    number: int
    what: str
    params: tuple[float, ...]
    in_air: bool = False
    frame: int | None = None


@dataclass(frozen=True)
class MessageCase:
    """Messages, what is listened to for how long, and what else is looked at."""

    what: str
    messages: tuple[Any, ...]
    in_air: bool = False
    seconds: float = 0.2
    besides: tuple[str, ...] = ()
    look: Callable[[Any], str] | None = None


def _int(number: int, what: str, params: tuple[float, ...], frame: int = RELATIVE) -> CommandCase:
    return CommandCase(number, what, params, in_air=True, frame=frame)


COMMANDS = (
    CommandCase(20, "return", (0,)),
    CommandCase(20, "return", (0,), in_air=True),
    CommandCase(21, "land here", (0,)),
    CommandCase(21, "land here", (0,), in_air=True),
    _int(21, "land 100 m away", (0, 0, 0, 0, 52.001, 4.5, 0)),
    _int(21, "no place on earth", (0, 0, 0, 0, 95.0, 4.5, 0)),
    CommandCase(22, "to 3 m", (0, 0, 0, 0, 0, 0, 3)),
    CommandCase(22, "to 1000 m", (0, 0, 0, 0, 0, 0, 1000)),
    CommandCase(22, "again", (0, 0, 0, 0, 0, 0, 3), in_air=True),
    CommandCase(24, "local, to 3 m", (0, 0, 0, 0, 0, 0, -3)),
    CommandCase(34, "centre in floats", (10, 1, 0, 0, 52.0, 4.5, 5), in_air=True),
    _int(34, "what is ahead", (8, 1, 0, 0, *HERE, NAN)),
    _int(34, "radius 0", (0, 1, 0, 0, *HERE, NAN)),
    _int(34, "above terrain", (8, 1, 0, 0, *HERE, 5), TERRAIN),
    CommandCase(115, "turn to 90 deg", (90, 20, 1, 0)),
    CommandCase(115, "turn to 90 deg", (90, 20, 1, 0), in_air=True),
    CommandCase(115, "direction 3", (90, 20, 3, 0), in_air=True),
    CommandCase(176, "set-points, custom flag", (1, 4302)),
    CommandCase(176, "without the custom flag", (0, 4302)),
    CommandCase(176, "mode 99", (1, 99)),
    CommandCase(178, "1.5 m/s", (1, 1.5, -1), in_air=True),
    CommandCase(178, "airspeed", (0, 1.5, -1), in_air=True),
    CommandCase(178, "50 m/s", (1, 50, -1), in_air=True),
    CommandCase(179, "here", (1,)),
    CommandCase(179, "place in floats", (0, 0, 0, 0, 52.0, 4.5, 0)),
    _int(179, "a place", (0, 0, 0, 0, 52.0, 4.5, 2)),
    CommandCase(192, "a place", (-1, 1, 0, NAN, 52.0, 4.5, 5)),
    _int(192, "a place", (-1, 1, 0, NAN, 52.0, 4.5001, 5)),
    _int(192, "above terrain", (-1, 1, 0, NAN, 52.0, 4.5001, 5), TERRAIN),
    CommandCase(193, "pause", (0,)),
    CommandCase(193, "pause", (0,), in_air=True),
    CommandCase(193, "continue", (1,), in_air=True),
    CommandCase(207, "fence off", (0,)),
    CommandCase(207, "fence on", (1,)),
    CommandCase(207, "parts of it", (2,)),
    CommandCase(224, "item 3 of an empty mission", (3,)),
    CommandCase(262, "land", (7,), in_air=True),
    CommandCase(262, "cruise", (3,), in_air=True),
    CommandCase(300, "start an empty mission", (0, 0)),
    CommandCase(300, "start an empty mission", (0, 0), in_air=True),
    CommandCase(400, "arm", (1,)),
    CommandCase(400, "arm, forced", (1, 21_196)),
    CommandCase(400, "disarm", (0,), in_air=True),
    CommandCase(400, "disarm, forced", (0, 21_196), in_air=True),
    CommandCase(400, "neither", (2,)),
    CommandCase(410, "home", ()),
    CommandCase(420, "GNSS off", (4, 1)),
    CommandCase(420, "GNSS mended", (4, 0)),
    CommandCase(420, "airspeed sensor off", (8, 1)),
    CommandCase(420, "no such unit", (77, 1)),
    CommandCase(510, "of ATTITUDE", (30,)),
    CommandCase(511, "ATTITUDE every 50 ms", (30, 50_000)),
    CommandCase(511, "HEARTBEAT never", (0, -1)),
    CommandCase(511, "a message it has not", (77, 100_000)),
    CommandCase(512, "AUTOPILOT_VERSION", (148,)),
    CommandCase(512, "AVAILABLE_MODES, all", (435, 0)),
    CommandCase(512, "AVAILABLE_MODES, the 99th", (435, 99)),
    CommandCase(512, "a message it has not", (77,)),
    CommandCase(520, "capabilities", (1,)),
)
"""Every command of the vehicle's table, with what is right, what is wrong, and what is not now."""


def _clear_and_count(rig: Any) -> str:
    counts = [m.count for m in rig.of_type("MISSION_COUNT")]
    return f"counts {counts}" if counts else ""


def _acks(rig: Any) -> str:
    names = [
        mav.enums["MAV_MISSION_RESULT"][m.type].name.removeprefix("MAV_MISSION_")
        for m in rig.of_type("MISSION_ACK")
    ]
    return f"acknowledged {', '.join(names)}" if names else ""


def _speed(rig: Any) -> str:
    e = rig.core.estimate
    moving = math.hypot(e.velocity_north_m_s, e.velocity_east_m_s) > 0.3
    return f"the craft {'moves' if moving else 'stays'}; mode: {rig.mode_words()}"


def _reached(rig: Any) -> str:
    return f"current item {rig.craft.autopilot.mission.current} of {len(rig.craft.autopilot.mission.plan)}"


def _item(seq: int, command: int = 16, frame: int = RELATIVE) -> Any:
    return mav.MAVLink_mission_item_int_message(
        1, 1, seq, frame, command, 0, 1, 0, 0, 0, 0, 520_000_000, 45_001_000, 5.0, 0
    )


def _odometry(frame: int, quality: int) -> Any:
    return mav.MAVLink_odometry_message(
        0,
        frame,
        mav.MAV_FRAME_BODY_FRD,
        *[0.0] * 3,
        [1, 0, 0, 0],
        *[0.0] * 6,
        [NAN] * 21,
        [NAN] * 21,
        0,
        0,
        quality,
    )


def _fed(rig: Any) -> str:
    return "taken in" if rig.core.estimate.position_fed else "not taken in"


_COUNT = mav.MAVLink_mission_count_message
_UPLOAD = (_COUNT(1, 1, 2), _item(0, 22), _item(1))

MESSAGES = (
    MessageCase("a ground program", (mav.MAVLink_heartbeat_message(6, 8, 0, 0, 4, 3),)),
    MessageCase("not known", (mav.MAVLink_command_long_message(1, 1, 60_000, 0, *[0] * 7),), look=lambda r: str(
        mav.enums["MAV_RESULT"][r.of_type("COMMAND_ACK")[-1].result].name)),
    MessageCase("for system 7", (mav.MAVLink_command_long_message(7, 1, 400, 0, 1, *[0] * 6),), look=lambda r: (
        f"{len(r.of_type('COMMAND_ACK'))} acknowledgements")),
    MessageCase("the same twice, confirmation 0 and 1", (
        mav.MAVLink_command_long_message(1, 1, 512, 0, 148, *[0] * 6),
        mav.MAVLink_command_long_message(1, 1, 512, 1, 148, *[0] * 6)), look=lambda r: (
        f"{len(r.of_type('COMMAND_ACK'))} acknowledgements, carried out {len(r.of_type('AUTOPILOT_VERSION'))} time")),
    MessageCase("home asked for", (mav.MAVLink_command_int_message(1, 1, 0, 512, 0, 0, 242, 0, 0, 0, 0, 0, 0),)),
    MessageCase("land", (mav.MAVLink_set_mode_message(1, 1, 4305),), in_air=True, look=_speed),
    MessageCase("mode 99", (mav.MAVLink_set_mode_message(1, 1, 99),)),
    MessageCase("in position hold", (mav.MAVLink_set_position_target_local_ned_message(
        0, 1, 1, 1, 0xDF8, 3, 0, -5, *[0] * 8),), in_air=True, seconds=2.0, look=_speed),
    MessageCase("in position hold", (mav.MAVLink_set_position_target_global_int_message(
        0, 1, 1, 6, 0xDF8, 520_000_000, 45_000_000, 5, *[0] * 8),), in_air=True, seconds=2.0, look=_speed),
    MessageCase("all", (mav.MAVLink_param_request_list_message(1, 1),), seconds=1.5, look=lambda r: (
        f"{len(r.of_type('PARAM_VALUE'))} values of {r.of_type('PARAM_VALUE')[-1].param_count}")),
    MessageCase("by name", (mav.MAVLink_param_request_read_message(1, 1, b"speed.travel", -1),)),
    MessageCase("no such name", (mav.MAVLink_param_request_read_message(1, 1, b"no.such", -1),)),
    MessageCase("within bounds", (mav.MAVLink_param_set_message(1, 1, b"speed.travel", 2.5, 9),), look=lambda r: (
        f"now {r.of_type('PARAM_VALUE')[-1].param_value:g}")),
    MessageCase("out of bounds", (mav.MAVLink_param_set_message(1, 1, b"speed.travel", 99, 9),), look=lambda r: (
        f"still {r.of_type('PARAM_VALUE')[-1].param_value:g}")),
    MessageCase("of the wrong type", (mav.MAVLink_param_set_message(1, 1, b"speed.travel", 2.5, 6),)),
    MessageCase("two items", _UPLOAD, look=_acks),
    MessageCase("251 items", (_COUNT(1, 1, 251),), look=_acks),
    MessageCase("of type 77", (_COUNT(1, 1, 2, 77),), look=_acks),
    MessageCase("items that never come", (_COUNT(1, 1, 2),), seconds=2.0, look=_acks),
    MessageCase("an item out of order", (_COUNT(1, 1, 2), _item(1), _item(0)), look=_acks),
    MessageCase("an item above terrain", (_COUNT(1, 1, 1), _item(0, 16, TERRAIN)), look=_acks),
    MessageCase("cancelled by the ground", (_COUNT(1, 1, 2), mav.MAVLink_mission_ack_message(1, 1, 15)),
                seconds=2.0, look=_acks),
    MessageCase("outside an upload", (_item(0),), look=_acks),
    MessageCase("outside an upload", (mav.MAVLink_mission_item_message(1, 1, 0, 3, 16, *[0] * 9),), look=_acks),
    MessageCase("part of a mission", (
        mav.MAVLink_mission_write_partial_list_message(1, 1, 0, 0), _item(0)), look=_acks),
    MessageCase("of an empty mission", (mav.MAVLink_mission_request_list_message(1, 1),), look=_clear_and_count),
    MessageCase("of an empty mission", (mav.MAVLink_mission_request_partial_list_message(1, 1, 0, -1),), look=_acks),
    MessageCase("item 9", (mav.MAVLink_mission_request_int_message(1, 1, 9),), look=_acks),
    MessageCase("item 9 (old form)", (mav.MAVLink_mission_request_message(1, 1, 9),), look=_acks),
    MessageCase("everything", (mav.MAVLink_mission_clear_all_message(1, 1, 255),), look=_acks),
    MessageCase("without an upload", (mav.MAVLink_mission_ack_message(1, 1, 0),), look=_acks),
    MessageCase("item 3 of an empty mission", (mav.MAVLink_mission_set_current_message(1, 1, 3),), look=_reached),
    MessageCase("all at 4 Hz", (mav.MAVLink_request_data_stream_message(1, 1, 0, 4, 1),), seconds=2.0, look=lambda r: (
        f"VFR_HUD came {sum(1 for m in r.heard[-120:] if m.get_type() == 'VFR_HUD')} times in the last 120 messages")),
    MessageCase("forward at half", tuple(mav.MAVLink_manual_control_message(1, 500, 0, 500, 0, 0) for _ in range(10)),
                in_air=True, look=_speed),
    MessageCase("forward at half", tuple(
        mav.MAVLink_rc_channels_override_message(1, 1, 1500, 1250, 1500, 1500, 0, 0, 0, 0) for _ in range(10)),
        in_air=True, look=_speed),
    MessageCase("a request", (mav.MAVLink_timesync_message(0, 123_456),), look=lambda r: (
        f"mirrors {r.of_type('TIMESYNC')[-1].ts1}")),
    MessageCase("an answer", (mav.MAVLink_timesync_message(99, 123_456),)),
    MessageCase("a request", (mav.MAVLink_ping_message(1, 2, 0, 0),), look=lambda r: (
        f"to {r.of_type('PING')[-1].target_system}, {r.of_type('PING')[-1].target_component}")),
    MessageCase("an answer", (mav.MAVLink_ping_message(1, 2, 1, 1),)),
    MessageCase("a position in north, east, down", (_odometry(mav.MAV_FRAME_LOCAL_NED, 90),), look=_fed),
    MessageCase("marked as failed", (_odometry(mav.MAV_FRAME_LOCAL_NED, -1),), look=_fed),
    MessageCase("axes of unknown heading", (_odometry(mav.MAV_FRAME_LOCAL_FRD, 90),), look=_fed),
    MessageCase("a position", (mav.MAVLink_vision_position_estimate_message(0, 0, 0, 0, 0, 0, NAN),), look=_fed),
    MessageCase("while GNSS names the origin", (
        mav.MAVLink_set_gps_global_origin_message(1, 520_000_000, 45_000_000, 0),)),
)  # fmt: skip
"""Every message that the vehicle handles."""

FRAMES = {
    number: entry.name.removeprefix("MAV_FRAME_")
    for number, entry in sorted(mav.enums["MAV_FRAME"].items())
    if not entry.name.endswith("ENUM_END")
}

PLAN_TYPES = {0: ("mission", 0.0), 1: ("fence", 30.0), 2: ("rally points", 0.0)}
"""Name, and a first parameter that makes a circle of a fence."""

assert development.MAV_CMD_DO_SET_STANDARD_MODE == 262

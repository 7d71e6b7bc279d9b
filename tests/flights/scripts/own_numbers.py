"""Flies a short dog-leg on a craft that demands a set-point stream, looking modes up by the autopilot's number.

It knows two firmwares, both invented, and asks the heartbeat which one it is talking to. It takes off by
set-points alone, as such firmwares allow, and ends with another exit code when the mode it asked for does not show.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import Any

from pymavlink import mavutil

MODES = {  # autopilot number: what the firmware calls its modes (main, sub)
    118: {"set-points": (7, 3), "land": (9, 2)},
    121: {"set-points": (3, 1), "land": (4, 1)},
}
POSITION_ONLY = 0x0DF8
CORNERS = [(0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (0.0, 0.0)]  # north, east of the start
HEIGHT = 2.0

mavlink = mavutil.mavlink
parser = argparse.ArgumentParser()
parser.add_argument("--link")
link = mavutil.mavlink_connection(parser.parse_args().link, source_system=240, dialect="common")


def heartbeat(wanted: Callable[[Any], bool], seconds: float = 60.0) -> Any:
    """The next heartbeat that is as wanted; sends our own each time round."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        link.mav.heartbeat_send(mavlink.MAV_TYPE_GCS, mavlink.MAV_AUTOPILOT_INVALID, 0, 0, 0)
        beat = link.recv_match(type="HEARTBEAT", blocking=True, timeout=1.0)
        if beat is not None and beat.autopilot in MODES and wanted(beat):
            return beat
    raise SystemExit("no heartbeat as wanted")


def stream(north: float, east: float, down: float, seconds: float) -> None:
    """Sends one set-point ten times a second."""
    end = time.monotonic() + seconds
    next_heartbeat = 0.0
    while time.monotonic() < end:
        if time.monotonic() >= next_heartbeat:
            next_heartbeat = time.monotonic() + 1.0
            link.mav.heartbeat_send(mavlink.MAV_TYPE_GCS, mavlink.MAV_AUTOPILOT_INVALID, 0, 0, 0)
        link.mav.set_position_target_local_ned_send(
            0, link.target_system, link.target_component, mavlink.MAV_FRAME_LOCAL_NED, POSITION_ONLY,
            north, east, down, 0, 0, 0, 0, 0, 0, 0, 0,
        )  # fmt: skip
        time.sleep(0.1)
        while link.recv_match() is not None:
            pass


def command(number: int, *params: float) -> None:
    """Sends a command once; the flight shows whether it was taken."""
    padded = [*params, *[0.0] * (7 - len(params))]
    link.mav.command_long_send(link.target_system, link.target_component, number, 0, *padded)


autopilot = heartbeat(lambda beat: beat.system_status == mavlink.MAV_STATE_STANDBY).autopilot
main, sub = MODES[autopilot]["set-points"]
start = link.recv_match(type="LOCAL_POSITION_NED", blocking=True, timeout=5.0)
top = start.z - HEIGHT

stream(start.x, start.y, top, 1.5)
command(mavlink.MAV_CMD_DO_SET_MODE, 1, main, sub)
stream(start.x, start.y, top, 0.3)
command(mavlink.MAV_CMD_COMPONENT_ARM_DISARM, 1)
stream(start.x, start.y, top, 5.0)
number = link.messages["HEARTBEAT"].custom_mode
if number != main << 16 | sub << 24:
    raise SystemExit(f"asked for mode {main}, {sub} and got {number:#x}")
for corner_north, corner_east in CORNERS[1:]:
    stream(start.x + corner_north, start.y + corner_east, top, 6.0)

command(mavlink.MAV_CMD_DO_SET_MODE, 1, *MODES[autopilot]["land"])
heartbeat(lambda beat: not beat.base_mode & mavlink.MAV_MODE_FLAG_SAFETY_ARMED)

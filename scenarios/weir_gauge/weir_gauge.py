"""Fly to the gauge at the weir, go down to read it, and come back.

The gauge's place is known from the survey. The craft is told where to go with reposition commands; it finds the
way by itself and holds there.
"""

import argparse
import math
import time

from pymavlink import mavutil

GAUGE = (51.901078, 6.301307)  # latitude, longitude
TRAVEL_HEIGHT = 15.0  # metres above home
READING_HEIGHT = 8.0
SPEED = 6.0  # metres a second
READ = 5.0  # seconds at the gauge
METRES_PER_DEGREE = 111_200.0

mavlink = mavutil.mavlink
said_hello = {"at": 0.0}


def receive(link, kind, timeout=1.0):
    """The next message of one kind, or None; says once a second that somebody is here."""
    end = time.time() + timeout
    while time.time() < end:
        if time.time() - said_hello["at"] >= 1.0:
            said_hello["at"] = time.time()
            link.mav.heartbeat_send(mavlink.MAV_TYPE_GCS, mavlink.MAV_AUTOPILOT_INVALID, 0, 0, 0)
        message = link.recv_match(type=kind, blocking=True, timeout=0.2)
        if message is not None:
            return message
    return None


def wait_for(link, kind, wanted, seconds):
    """Waits until a message of one kind is as wanted."""
    end = time.time() + seconds
    while time.time() < end:
        message = receive(link, kind)
        if message is not None and wanted(message):
            return message
    raise SystemExit(f"no {kind} as wanted within {seconds} s")


def accepted(link, send, number):
    """Sends a command, again and again until it is accepted."""
    for _ in range(10):
        send()
        answer = receive(link, "COMMAND_ACK", 1.5)
        if answer is not None and answer.command == number:
            if answer.result == mavlink.MAV_RESULT_ACCEPTED:
                return
            time.sleep(0.5)
    raise SystemExit(f"command {number} was never accepted")


def command(link, number, *params):
    """A command without a place."""
    params = list(params) + [0.0] * (7 - len(params))
    accepted(
        link,
        lambda: link.mav.command_long_send(link.target_system, link.target_component, number, 0, *params),
        number,
    )


def go(link, latitude, longitude, height):
    """Sends the craft to a place and waits until it is there."""
    number = mavlink.MAV_CMD_DO_REPOSITION
    accepted(
        link,
        lambda: link.mav.command_int_send(
            link.target_system, link.target_component, mavlink.MAV_FRAME_GLOBAL_RELATIVE_ALT_INT, number, 0, 0,
            SPEED, mavlink.MAV_DO_REPOSITION_FLAGS_CHANGE_MODE, 0, math.nan,
            round(latitude * 1e7), round(longitude * 1e7), height,
        ),
        number,
    )  # fmt: skip

    def is_there(here):
        north = (here.lat / 1e7 - latitude) * METRES_PER_DEGREE
        east = (here.lon / 1e7 - longitude) * METRES_PER_DEGREE * math.cos(math.radians(latitude))
        return math.hypot(north, east) < 1.0 and abs(here.relative_alt / 1000 - height) < 0.6

    wait_for(link, "GLOBAL_POSITION_INT", is_there, 90)


def main():
    """The whole flight."""
    parser = argparse.ArgumentParser(description="Reads the gauge at the weir.")
    parser.add_argument(
        "--link", default="udpin:127.0.0.1:14550", help="where the craft is, as pymavlink spells it"
    )
    link = mavutil.mavlink_connection(parser.parse_args().link, source_system=250, dialect="common")

    wait_for(link, "HEARTBEAT", lambda beat: beat.system_status == mavlink.MAV_STATE_STANDBY, 60)
    command(link, mavlink.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    home = wait_for(link, "GLOBAL_POSITION_INT", lambda here: True, 5)
    command(link, mavlink.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, TRAVEL_HEIGHT)
    wait_for(link, "GLOBAL_POSITION_INT", lambda here: here.relative_alt > 1000 * TRAVEL_HEIGHT - 500, 40)

    go(link, *GAUGE, TRAVEL_HEIGHT)
    go(link, *GAUGE, READING_HEIGHT)
    print("reading the gauge")
    end = time.time() + READ
    while time.time() < end:
        receive(link, "GLOBAL_POSITION_INT")
    go(link, *GAUGE, TRAVEL_HEIGHT)
    go(link, home.lat / 1e7, home.lon / 1e7, TRAVEL_HEIGHT)

    command(link, mavlink.MAV_CMD_NAV_LAND)
    wait_for(link, "HEARTBEAT", lambda beat: not beat.base_mode & mavlink.MAV_MODE_FLAG_SAFETY_ARMED, 90)
    print("back at the car")


if __name__ == "__main__":
    main()

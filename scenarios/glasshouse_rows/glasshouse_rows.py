"""Fly along three rows of plants, 1.5 m above the floor: up the first, down the second, up the third.

The craft stands at the beginning of the first row and looks along it. Places are sent relative to where it took
off, turned by the heading it had there.
"""

import argparse
import math
import time

from pymavlink import mavutil

HEIGHT = 1.5  # metres
SPEED = 1.0  # metres a second
ROW = 12.0  # metres from end to end
APART = 2.0  # metres from row to row
ROWS = 3
CLOSE = 0.25  # metres
SET_POINTS_MODE = 4302
ONLY_POSITION_AND_YAW = 0b100111111000

mav = mavutil.mavlink


def corners(rows=ROWS, row=ROW, apart=APART):
    """Where to go, one place after the other: forward and right of the take-off."""
    places = []
    for number in range(rows):
        ends = (0.0, row) if number % 2 == 0 else (row, 0.0)
        places += [(end, number * apart) for end in ends]
    return places[1:]


class Craft:
    """A craft that follows set-points."""

    def __init__(self, address):
        self.link = mavutil.mavlink_connection(address, source_system=246, dialect="common")
        self.said_hello = 0.0

    def listen(self, kind, seconds=1.0):
        """The next message of a kind, or None."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if time.monotonic() - self.said_hello > 1.0:
                self.said_hello = time.monotonic()
                self.link.mav.heartbeat_send(mav.MAV_TYPE_GCS, mav.MAV_AUTOPILOT_INVALID, 0, 0, 0)
            message = self.link.recv_match(type=kind, blocking=True, timeout=0.1)
            if message:
                return message
        return None

    def until(self, kind, wanted, seconds):
        """Listens until a message is as wanted."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            message = self.listen(kind)
            if message and wanted(message):
                return message
        raise SystemExit(f"no {kind} as wanted in {seconds} s")

    def command(self, number, *params):
        """A command, until it is accepted."""
        padded = list(params) + [0] * (7 - len(params))
        for _ in range(10):
            self.link.mav.command_long_send(self.link.target_system, 1, number, 0, *padded)
            ack = self.listen("COMMAND_ACK")
            if ack and ack.command == number and ack.result == mav.MAV_RESULT_ACCEPTED:
                return
            time.sleep(0.3)
        raise SystemExit(f"command {number} refused")

    def place(self, x, y, z, yaw):
        """One set-point."""
        self.link.mav.set_position_target_local_ned_send(
            0, self.link.target_system, 1, mav.MAV_FRAME_LOCAL_NED, ONLY_POSITION_AND_YAW,
            x, y, z, 0, 0, 0, 0, 0, 0, yaw, 0,
        )  # fmt: skip


def fly(craft, places, height=HEIGHT, speed=SPEED):
    """The whole flight."""
    craft.until("HEARTBEAT", lambda beat: beat.system_status == mav.MAV_STATE_STANDBY, 60)
    craft.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    start = craft.until("LOCAL_POSITION_NED", lambda _: True, 5)
    heading = craft.until("ATTITUDE", lambda _: True, 5).yaw
    craft.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, height)
    craft.until("LOCAL_POSITION_NED", lambda here: here.z < start.z - height + 0.2, 20)
    craft.command(mav.MAV_CMD_DO_SET_MODE, 1, SET_POINTS_MODE)
    craft.command(mav.MAV_CMD_DO_CHANGE_SPEED, 1, speed, -1)

    for number, (forward, right) in enumerate(places, 1):
        x = start.x + forward * math.cos(heading) - right * math.sin(heading)
        y = start.y + forward * math.sin(heading) + right * math.cos(heading)
        goal = (x, y, start.z - height)
        until = time.monotonic() + 30
        while time.monotonic() < until:
            craft.place(*goal, heading)
            here = craft.listen("LOCAL_POSITION_NED")
            if here and math.dist((here.x, here.y, here.z), goal) < CLOSE:
                break
        else:
            raise SystemExit(f"never came to corner {number}")
        print(f"corner {number}")

    craft.command(mav.MAV_CMD_NAV_LAND)
    craft.until("HEARTBEAT", lambda beat: not beat.base_mode & mav.MAV_MODE_FLAG_SAFETY_ARMED, 40)
    print("all rows seen")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Looks along the rows of a glasshouse.")
    parser.add_argument("--link", default="udpin:127.0.0.1:14550", help="where the craft is")
    fly(Craft(parser.parse_args().link), corners())

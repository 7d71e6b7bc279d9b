"""Sample at places along a field, as many as the pack allows, and come back to where we stand.

Before each place the charge is looked at. When it is below the reserve, the rest is left for another day: the
craft turns round and lands where it started, so that nobody has to walk the field for it.
"""

import argparse
import math
import time

from pymavlink import mavutil

PLACES = [8.0, 16.0, 24.0, 32.0, 40.0, 48.0]  # metres ahead of the take-off point
HEIGHT = 2.0  # metres
SPEED = 2.0  # metres a second
SAMPLE = 4.0  # seconds at each place
RESERVE = 38  # per cent: enough for the way back from anywhere
NEAR = 0.3  # metres
SET_POINTS_MODE = 4302
POSITION_ONLY = 0b110111111000

mav = mavutil.mavlink


class Craft:
    """The craft, with what it last said of its battery."""

    def __init__(self, address):
        self.link = mavutil.mavlink_connection(address, source_system=249, dialect="common")
        self.charge = None
        self.hello = 0.0

    def listen(self, kind, seconds=1.0):
        """The next message of a kind, or None; the battery is noted in passing."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if time.monotonic() > self.hello:
                self.hello = time.monotonic() + 1
                self.link.mav.heartbeat_send(mav.MAV_TYPE_GCS, mav.MAV_AUTOPILOT_INVALID, 0, 0, 0)
            message = self.link.recv_match(type=[kind, "BATTERY_STATUS"], blocking=True, timeout=0.2)
            if message is None:
                continue
            if message.get_type() == "BATTERY_STATUS":
                self.charge = message.battery_remaining
            if message.get_type() == kind:
                return message
        return None

    def wait(self, kind, wanted, seconds):
        """Waits for a message that is as wanted."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            message = self.listen(kind)
            if message is not None and wanted(message):
                return message
        raise SystemExit(f"no such {kind} in {seconds} s")

    def command(self, number, *params):
        """A command, until it is accepted."""
        params = list(params) + [0] * (7 - len(params))
        for _ in range(10):
            self.link.mav.command_long_send(1, 1, number, 0, *params)
            ack = self.listen("COMMAND_ACK")
            if ack is not None and ack.command == number and ack.result == mav.MAV_RESULT_ACCEPTED:
                return
            time.sleep(0.3)
        raise SystemExit(f"command {number} was refused")

    def go(self, place):
        """One set-point."""
        self.link.mav.set_position_target_local_ned_send(
            0, 1, 1, mav.MAV_FRAME_LOCAL_NED, POSITION_ONLY, *place, 0, 0, 0, 0, 0, 0, 0, 0
        )

    def fly_to(self, place):
        """Flies to a place."""
        end = time.monotonic() + 40
        while time.monotonic() < end:
            self.go(place)
            here = self.listen("LOCAL_POSITION_NED")
            if here is not None and math.dist((here.x, here.y, here.z), place) < NEAR:
                return
        raise SystemExit("never got there")

    def stay(self, place, seconds):
        """Stays at a place."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.go(place)
            self.listen("LOCAL_POSITION_NED")


def fly(craft, reserve=RESERVE, walk_back=True):
    """The whole flight."""
    craft.wait("HEARTBEAT", lambda beat: beat.system_status == mav.MAV_STATE_STANDBY, 60)
    craft.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    start = craft.wait("LOCAL_POSITION_NED", lambda here: True, 5)
    heading = craft.wait("ATTITUDE", lambda attitude: True, 5).yaw
    craft.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, HEIGHT)
    top = start.z - HEIGHT
    craft.wait("LOCAL_POSITION_NED", lambda here: here.z < top + 0.3, 20)
    craft.command(mav.MAV_CMD_DO_SET_MODE, 1, SET_POINTS_MODE)
    craft.command(mav.MAV_CMD_DO_CHANGE_SPEED, 1, SPEED, -1)

    for number, ahead in enumerate(PLACES, 1):
        if craft.charge is not None and craft.charge < reserve:
            print(f"{craft.charge} % left: place {number} is for another day")
            break
        place = start.x + ahead * math.cos(heading), start.y + ahead * math.sin(heading), top
        craft.fly_to(place)
        craft.stay(place, SAMPLE)
        print(f"sampled place {number}, {craft.charge} % left")
    if walk_back:
        craft.fly_to((start.x, start.y, top))
    craft.command(mav.MAV_CMD_NAV_LAND)
    craft.wait("HEARTBEAT", lambda beat: not beat.base_mode & mav.MAV_MODE_FLAG_SAFETY_ARMED, 40)
    print(f"down with {craft.charge} %")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Samples along a field.")
    parser.add_argument("--link", default="udpin:127.0.0.1:14550", help="where the craft is")
    fly(Craft(parser.parse_args().link))

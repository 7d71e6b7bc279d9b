"""Circle a mast once, with the camera at the nose looking at it all the way round.

The craft has an orbit of its own: it is told the mast's place, how far to keep off and how far round to go, and
goes into position hold when that is done.
"""

import argparse
import math
import time

from pymavlink import mavutil

MAST = (51.9501377, 5.200187)  # latitude, longitude
RADIUS = 12.0  # metres
HEIGHT = 10.0  # metres above home
SPEED = 2.0  # metres a second
ORBIT_MODE, POSITION_HOLD_MODE = 4307, 4301
FACE_CENTRE = 0
METRES_PER_DEGREE = 111_250.0

mav = mavutil.mavlink


class Craft:
    """The craft, and when we last told it that we are here."""

    def __init__(self, address):
        self.link = mavutil.mavlink_connection(address, source_system=247, dialect="common")
        self.hello = 0.0

    def get(self, kind, wanted=lambda message: True, seconds=5.0):
        """The next message of a kind that is as wanted; ends the script when none comes."""
        end = time.time() + seconds
        while time.time() < end:
            if time.time() >= self.hello:
                self.hello = time.time() + 1
                self.link.mav.heartbeat_send(mav.MAV_TYPE_GCS, mav.MAV_AUTOPILOT_INVALID, 0, 0, 0)
            message = self.link.recv_match(type=kind, blocking=True, timeout=0.2)
            if message is not None and wanted(message):
                return message
        raise SystemExit(f"waited {seconds} s for {kind}")

    def do(self, number, send):
        """Sends a command up to ten times, until it is accepted."""
        for _ in range(10):
            send()
            try:
                ack = self.get("COMMAND_ACK", lambda ack: ack.command == number, 1.5)
            except SystemExit:
                continue
            if ack.result == mav.MAV_RESULT_ACCEPTED:
                return
            time.sleep(0.5)
        raise SystemExit(f"command {number} was refused")

    def command(self, number, *params):
        """A command without a place."""
        params = list(params) + [0] * (7 - len(params))
        self.do(number, lambda: self.link.mav.command_long_send(1, 1, number, 0, *params))

    def command_at(self, number, params, latitude, longitude, height):
        """A command with a place, its height above home."""
        place = round(latitude * 1e7), round(longitude * 1e7), height
        frame = mav.MAV_FRAME_GLOBAL_RELATIVE_ALT_INT
        self.do(number, lambda: self.link.mav.command_int_send(1, 1, frame, number, 0, 0, *params, *place))


def distance(here, latitude, longitude):
    """Metres over the ground from a GLOBAL_POSITION_INT to a place."""
    north = (here.lat / 1e7 - latitude) * METRES_PER_DEGREE
    east = (here.lon / 1e7 - longitude) * METRES_PER_DEGREE * math.cos(math.radians(latitude))
    return math.hypot(north, east)


def slow(here):
    """Whether the craft hardly moves, by a GLOBAL_POSITION_INT."""
    return math.hypot(here.vx, here.vy) < 40  # centimetres a second


def fly(craft, radius=RADIUS, turn=2 * math.pi, speed=SPEED):
    """The whole flight; a negative radius goes round to the left."""
    craft.get("HEARTBEAT", lambda beat: beat.system_status == mav.MAV_STATE_STANDBY, 60)
    craft.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    home = craft.get("GLOBAL_POSITION_INT")
    craft.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, HEIGHT)
    craft.get("HEARTBEAT", lambda beat: beat.custom_mode == POSITION_HOLD_MODE, 40)

    craft.command_at(mav.MAV_CMD_DO_ORBIT, (radius, speed, FACE_CENTRE, turn), *MAST, HEIGHT)
    craft.get("HEARTBEAT", lambda beat: beat.custom_mode == ORBIT_MODE, 10)
    print("circling")
    craft.get("HEARTBEAT", lambda beat: beat.custom_mode == POSITION_HOLD_MODE, 120)
    print("once round")

    at_home = home.lat / 1e7, home.lon / 1e7
    craft.command_at(mav.MAV_CMD_DO_REPOSITION, (-1, 1, 0, math.nan), *at_home, HEIGHT)
    craft.get("GLOBAL_POSITION_INT", lambda here: distance(here, *at_home) < 0.8 and slow(here), 40)
    craft.command(mav.MAV_CMD_NAV_LAND)
    craft.get("HEARTBEAT", lambda beat: not beat.base_mode & mav.MAV_MODE_FLAG_SAFETY_ARMED, 60)
    print("down again")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Circles the mast.")
    parser.add_argument("--link", default="udpin:127.0.0.1:14550", help="where the craft is")
    fly(Craft(parser.parse_args().link))

"""Fly along the foot of a bank and back, led by velocities, through a stretch where the radio does not reach.

The craft is led: ten times a second it is told how fast to go, from where it says it is. When nothing is heard of
it, it is told nothing, and stops by itself; when it is heard again, it is led on from where it stands.
"""

import argparse
import math
import time

from pymavlink import mavutil

FAR_END = 60.0  # metres ahead
HEIGHT = 8.0  # metres
SPEED = 3.0  # metres a second at most
LOOK = 3.0  # seconds at the far end
NEAR = 0.5  # metres
PATIENCE = 20.0  # seconds without a word from the craft
SET_POINTS_MODE = 4302
VELOCITY_ONLY = 0b110111000111

mav = mavutil.mavlink


class Craft:
    """The craft at the other end of a radio that comes and goes."""

    def __init__(self, address):
        self.link = mavutil.mavlink_connection(address, source_system=248, dialect="common")
        self.last_hello = 0.0
        self.last_heard = time.monotonic()

    def next(self, kind, seconds=0.3):
        """The next message of a kind, or None."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if time.monotonic() - self.last_hello > 1:
                self.last_hello = time.monotonic()
                self.link.mav.heartbeat_send(mav.MAV_TYPE_GCS, mav.MAV_AUTOPILOT_INVALID, 0, 0, 0)
            message = self.link.recv_match(type=kind, blocking=True, timeout=0.1)
            if message is not None:
                self.last_heard = time.monotonic()
                return message
        if time.monotonic() - self.last_heard > PATIENCE:
            raise SystemExit("the craft is gone")
        return None

    def wait(self, kind, wanted, seconds):
        """Waits for a message that is as wanted."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            message = self.next(kind)
            if message is not None and wanted(message):
                return message
        raise SystemExit(f"no such {kind} in {seconds} s")

    def command(self, number, *params):
        """A command, until it is accepted."""
        params = list(params) + [0] * (7 - len(params))
        for _ in range(20):
            self.link.mav.command_long_send(1, 1, number, 0, *params)
            ack = self.next("COMMAND_ACK", 1.0)
            if ack is not None and ack.command == number and ack.result == mav.MAV_RESULT_ACCEPTED:
                return
            time.sleep(0.2)
        raise SystemExit(f"command {number} was refused")

    def velocity(self, north, east, down):
        """One velocity set-point."""
        self.link.mav.set_position_target_local_ned_send(
            0, 1, 1, mav.MAV_FRAME_LOCAL_NED, VELOCITY_ONLY, 0, 0, 0, north, east, down, 0, 0, 0, 0, 0
        )


def lead(craft, goal, seconds=90):
    """Leads the craft to a place, and says so when it was away."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        here = craft.next("LOCAL_POSITION_NED")
        if here is None:
            print("not heard")
            continue
        away = (goal[0] - here.x, goal[1] - here.y, goal[2] - here.z)
        distance = math.hypot(*away)
        if distance < NEAR:
            return
        speed = min(SPEED, 0.6 * distance + 0.1)
        craft.velocity(*(speed * part / distance for part in away))
    raise SystemExit("never got there")


def stay(craft, seconds):
    """Stands still."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        craft.velocity(0, 0, 0)
        craft.next("LOCAL_POSITION_NED")


def take_off(craft):
    """Arms and climbs; returns where the craft stood, and its heading."""
    craft.wait("HEARTBEAT", lambda beat: beat.system_status == mav.MAV_STATE_STANDBY, 60)
    craft.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    start = craft.wait("LOCAL_POSITION_NED", lambda here: True, 5)
    heading = craft.wait("ATTITUDE", lambda attitude: True, 5).yaw
    craft.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, HEIGHT)
    craft.wait("LOCAL_POSITION_NED", lambda here: here.z < start.z - HEIGHT + 0.4, 30)
    craft.command(mav.MAV_CMD_DO_SET_MODE, 1, SET_POINTS_MODE)
    return start, heading


def come_down(craft):
    """Lands where the craft is."""
    craft.command(mav.MAV_CMD_NAV_LAND)
    craft.wait("HEARTBEAT", lambda beat: not beat.base_mode & mav.MAV_MODE_FLAG_SAFETY_ARMED, 60)


def main():
    """The whole flight."""
    parser = argparse.ArgumentParser(description="Flies along the bank and back.")
    parser.add_argument("--link", default="udpin:127.0.0.1:14550", help="where the craft is")
    craft = Craft(parser.parse_args().link)
    start, heading = take_off(craft)
    top = start.z - HEIGHT
    lead(craft, (start.x + FAR_END * math.cos(heading), start.y + FAR_END * math.sin(heading), top))
    print("at the far end")
    stay(craft, LOOK)
    lead(craft, (start.x, start.y, top))
    come_down(craft)
    print("back")


if __name__ == "__main__":
    main()

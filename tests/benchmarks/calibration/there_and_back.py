"""Fly there and back at several speeds in several directions, and up and down: what a calibration learns most from.

Velocity set-points along the craft's first heading and across it, with pauses; it stays within a few legs' length.
"""

import argparse
import math
import time

from pymavlink import mavutil

SET_POINTS_MODE = 4302  # this craft's number for the mode that follows set-points
QUICK, QUICK_US = (74, 105), 20_000  # VFR_HUD and HIGHRES_IMU, for the motors' lag
VELOCITY_ONLY = 0b110111000111  # type mask: ignore all but vx, vy, vz


class Craft:
    """The craft at the other end of the link."""

    def __init__(self, link):
        self.link = mavutil.mavlink_connection(link, source_system=245, dialect="common")
        self.next_heartbeat = 0.0

    def receive(self, kind, timeout=1.0):
        """The next message of one kind, or None; meanwhile says once a second that we are here."""
        end = time.monotonic() + timeout
        while time.monotonic() < end:
            if time.monotonic() >= self.next_heartbeat:
                self.next_heartbeat = time.monotonic() + 1.0
                self.link.mav.heartbeat_send(
                    mavutil.mavlink.MAV_TYPE_GCS, mavutil.mavlink.MAV_AUTOPILOT_INVALID, 0, 0, 0
                )
            message = self.link.recv_match(type=kind, blocking=True, timeout=0.2)
            if message is not None:
                return message
        return None

    def wait(self, kind, wanted, seconds, what):
        """Waits until a message of one kind is as wanted."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            message = self.receive(kind)
            if message is not None and wanted(message):
                return message
        raise SystemExit(f"gave up waiting: {what}")

    def command(self, number, *params):
        """Sends a command until it is accepted."""
        params = [*params, *[0.0] * (7 - len(params))]
        for confirmation in range(10):
            self.link.mav.command_long_send(
                self.link.target_system, self.link.target_component, number, confirmation, *params
            )
            answer = self.receive("COMMAND_ACK")
            if answer is not None and answer.command == number:
                if answer.result == mavutil.mavlink.MAV_RESULT_ACCEPTED:
                    return
                time.sleep(0.5)
        raise SystemExit(f"gave up: command {number} was not accepted")

    def move(self, north, east, down, seconds):
        """Asks for one velocity (metres a second), ten times a second, for a while."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.link.mav.set_position_target_local_ned_send(
                0,
                self.link.target_system,
                self.link.target_component,
                mavutil.mavlink.MAV_FRAME_LOCAL_NED,
                VELOCITY_ONLY,
                *(0, 0, 0),
                *(north, east, down),
                *(0, 0, 0),
                *(0, 0),
            )
            self.receive("LOCAL_POSITION_NED")


def is_ready(heartbeat):
    """Whether the heartbeat is that of an autopilot that may be armed."""
    is_autopilot = heartbeat.autopilot != mavutil.mavlink.MAV_AUTOPILOT_INVALID
    return is_autopilot and heartbeat.system_status == mavutil.mavlink.MAV_STATE_STANDBY


def is_disarmed(heartbeat):
    """Whether the motors stand still."""
    return not heartbeat.base_mode & mavutil.mavlink.MAV_MODE_FLAG_SAFETY_ARMED


def fly(craft, height, speed, leg, rounds, quick=()):
    """The whole flight."""
    craft.wait("HEARTBEAT", is_ready, 60, "the craft never became ready")
    for message in quick:
        craft.command(mavutil.mavlink.MAV_CMD_SET_MESSAGE_INTERVAL, message, QUICK_US)
    craft.command(mavutil.mavlink.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    start = craft.wait("LOCAL_POSITION_NED", lambda message: True, 5, "no position")
    heading = craft.wait("ATTITUDE", lambda message: True, 5, "no attitude").yaw
    craft.command(mavutil.mavlink.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, height)
    top = start.z - height
    craft.wait("LOCAL_POSITION_NED", lambda here: here.z < top + 0.3, 40, "never reached the height")
    craft.command(mavutil.mavlink.MAV_CMD_DO_SET_MODE, 1, SET_POINTS_MODE)
    craft.command(mavutil.mavlink.MAV_CMD_DO_CHANGE_SPEED, 1, speed, -1)
    ahead, aside = (math.cos(heading), math.sin(heading)), (-math.sin(heading), math.cos(heading))
    for number in range(rounds):
        for direction in (ahead, aside):
            for share in (1.0, -1.0, 0.5, -0.5) if number % 2 else (-1.0, 1.0, -0.6, 0.6):
                north, east = (share * speed * part for part in direction)
                craft.move(north, east, 0.0, leg)
                craft.move(0.0, 0.0, 0.0, 2.0)
        craft.move(0.0, 0.0, -1.0, 3.0)
        craft.move(0.0, 0.0, 1.0, 3.0)
        craft.move(0.0, 0.0, 0.0, 3.0)
    craft.command(mavutil.mavlink.MAV_CMD_NAV_LAND)
    craft.wait("HEARTBEAT", is_disarmed, 60, "never stopped its motors")


def main():
    """Reads the command line and flies."""
    parser = argparse.ArgumentParser(description="Flies there and back.")
    parser.add_argument("--link", default="udpin:127.0.0.1:14550", help="where the craft is")
    parser.add_argument("--height", type=float, default=6.0, help="metres")
    parser.add_argument("--speed", type=float, default=3.0, help="metres a second")
    parser.add_argument("--leg", type=float, default=5.0, help="seconds")
    parser.add_argument("--rounds", type=int, default=2, help="how often")
    parser.add_argument("--quick", action="store_true", help="ask for throttle and accelerations at 50 Hz")
    options = parser.parse_args()
    quick = QUICK if options.quick else ()
    fly(Craft(options.link), options.height, options.speed, options.leg, options.rounds, quick)


if __name__ == "__main__":
    main()

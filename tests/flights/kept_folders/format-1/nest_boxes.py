"""Look into four nest boxes round a clearing, three seconds each, and come home.

The boxes are paced out from the take-off point, along and across the direction the craft looks in at the start.
"""

import argparse
import math
import time

from pymavlink import mavutil

HEIGHT = 3.0  # metres above the take-off point
SPEED = 2.0  # metres a second between boxes
LOOK = 3.0  # seconds at each box
NEAR = 0.3  # metres; closer than this counts as there
BOXES = [(8.0, 0.0), (8.0, 6.0), (1.0, 7.0), (-3.0, 3.0)]  # forward, right of the take-off point

SET_POINTS_MODE = 4302  # this craft's number for the mode that follows set-points
POSITION_ONLY = 0b110111111000  # type mask: ignore all but x, y, z


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
        """Sends a command until it is accepted; 'not now' is a reason to try again a little later."""
        confirmation = 0
        params = [*params, *[0.0] * (7 - len(params))]
        for _ in range(10):
            self.link.mav.command_long_send(
                self.link.target_system, self.link.target_component, number, confirmation, *params
            )
            answer = self.receive("COMMAND_ACK")
            if answer is None:
                confirmation += 1
            elif answer.command == number:
                if answer.result == mavutil.mavlink.MAV_RESULT_ACCEPTED:
                    return
                confirmation = 0
                time.sleep(0.5)
        raise SystemExit(f"gave up: command {number} was not accepted")

    def go(self, north, east, down):
        """Sends one position set-point."""
        self.link.mav.set_position_target_local_ned_send(
            0,
            self.link.target_system,
            self.link.target_component,
            mavutil.mavlink.MAV_FRAME_LOCAL_NED,
            POSITION_ONLY,
            *(north, east, down),
            *(0, 0, 0),
            *(0, 0, 0),
            *(0, 0),
        )

    def fly_to(self, north, east, down, seconds=25.0):
        """Flies to a place and comes back from here when it is reached."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.go(north, east, down)
            here = self.receive("LOCAL_POSITION_NED")
            if here is not None and math.dist((here.x, here.y, here.z), (north, east, down)) < NEAR:
                return
        raise SystemExit(f"gave up: never came near {north:.1f}, {east:.1f}")

    def stay(self, north, east, down, seconds):
        """Stays at a place."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.go(north, east, down)
            self.receive("LOCAL_POSITION_NED")


def is_ready(heartbeat):
    """Whether the heartbeat is that of an autopilot that may be armed."""
    is_autopilot = heartbeat.autopilot != mavutil.mavlink.MAV_AUTOPILOT_INVALID
    return is_autopilot and heartbeat.system_status == mavutil.mavlink.MAV_STATE_STANDBY


def is_disarmed(heartbeat):
    """Whether the motors stand still."""
    return not heartbeat.base_mode & mavutil.mavlink.MAV_MODE_FLAG_SAFETY_ARMED


def fly(craft, boxes=BOXES, speed=SPEED, home=(0.0, 0.0)):
    """The whole flight; `home` is where it lands, forward and right of the take-off point."""
    craft.wait("HEARTBEAT", is_ready, 60, "the craft never became ready")
    craft.command(mavutil.mavlink.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    start = craft.wait("LOCAL_POSITION_NED", lambda message: True, 5, "no position")
    heading = craft.wait("ATTITUDE", lambda message: True, 5, "no attitude").yaw
    print(f"heading {math.degrees(heading):.1f} degrees")

    craft.command(mavutil.mavlink.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, HEIGHT)
    top = start.z - HEIGHT
    craft.wait("LOCAL_POSITION_NED", lambda here: here.z < top + 0.3, 20, "never reached the height")
    craft.command(mavutil.mavlink.MAV_CMD_DO_SET_MODE, 1, SET_POINTS_MODE)
    craft.command(mavutil.mavlink.MAV_CMD_DO_CHANGE_SPEED, 1, speed, -1)

    def place(forward, right):
        north = forward * math.cos(heading) - right * math.sin(heading)
        east = forward * math.sin(heading) + right * math.cos(heading)
        return start.x + north, start.y + east, top

    for number, box in enumerate(boxes, 1):
        craft.fly_to(*place(*box))
        print(f"looking into box {number}")
        craft.stay(*place(*box), LOOK)
    craft.fly_to(*place(*home))

    craft.command(mavutil.mavlink.MAV_CMD_NAV_LAND)
    craft.wait("HEARTBEAT", is_disarmed, 40, "never stopped its motors")
    print("home again")


def main():
    """Reads the command line and flies."""
    parser = argparse.ArgumentParser(description="Looks into nest boxes.")
    parser.add_argument(
        "--link", default="udpin:127.0.0.1:14550", help="where the craft is, as pymavlink spells it"
    )
    fly(Craft(parser.parse_args().link))


if __name__ == "__main__":
    main()

"""Positions from outside: what the messages mean, what is refused, and a flight without GNSS on them."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import Conditions, Fault, Identity, PositionFeed, Start
from asflown.sim.craft import Craft
from asflown.sim.interface import TICK_US, CraftSetup
from asflown.sim.position_messages import PositionRefused, from_odometry, from_vision
from tests.unit.sim.rig import Rig

NAN = math.nan
INDOORS = Conditions(faults=(Fault(at_s=0.0, inject="gnss-loss"),))


def odometry(**fields: Any) -> mav.MAVLink_odometry_message:
    """An ODOMETRY at 1, 2, -3 m, heading east, with some fields replaced."""
    base = {
        "time_usec": 0, "frame_id": mav.MAV_FRAME_LOCAL_NED, "child_frame_id": mav.MAV_FRAME_BODY_FRD,
        "x": 1.0, "y": 2.0, "z": -3.0, "q": [math.sqrt(0.5), 0.0, 0.0, math.sqrt(0.5)],
        "vx": 0.0, "vy": 0.0, "vz": 0.0, "rollspeed": 0.0, "pitchspeed": 0.0, "yawspeed": 0.0,
        "pose_covariance": [NAN] * 21, "velocity_covariance": [NAN] * 21, "quality": 80,
    }  # fmt: skip
    return mav.MAVLink_odometry_message(**(base | fields))


def covariance(position_m: float, yaw_rad: float) -> list[float]:
    """The upper triangle of a 6 x 6 covariance with these standard deviations."""
    found = [0.0] * 21
    for place, deviation in ((0, position_m), (6, position_m), (11, position_m), (20, yaw_rad)):
        found[place] = deviation**2
    return found


def test_an_odometry_is_read_with_its_accuracy_and_age() -> None:
    """Position, heading of the quaternion, standard deviations of the covariance, age by the vehicle's clock."""
    message = odometry(pose_covariance=covariance(0.1, 0.2), time_usec=5_000_000)
    feed = from_odometry(message, (5_040_000, 1_700_000_000_000_000))
    assert (feed.north_m, feed.east_m, feed.down_m) == (1.0, 2.0, -3.0)
    assert feed.yaw_rad == pytest.approx(math.pi / 2)
    assert (feed.deviation_m, feed.yaw_deviation_rad) == pytest.approx((0.1, 0.2))
    assert feed.age_s == pytest.approx(0.04)


def test_a_vision_position_without_covariance_has_the_usual_accuracy() -> None:
    """And a stamp of a clock that the vehicle does not know says nothing of its age."""
    feed = from_vision(mav.MAVLink_vision_position_estimate_message(77, 1, 2, -3, 0, 0, NAN), (90_000_000,))
    assert (feed.deviation_m, feed.age_s, feed.yaw_rad) == (0.05, 0.0, None)


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ({"frame_id": mav.MAV_FRAME_LOCAL_FRD}, "frame 20"),
        ({"quality": -1}, "failed"),
        ({"x": NAN}, "not a number"),
        ({"time_usec": 4_000_000}, "1.0 s old"),
    ],
    ids=["frame", "failed", "not-a-number", "old"],
)
def test_what_cannot_be_used_is_refused_in_words(fields: dict[str, Any], word: str) -> None:
    """The text names what is wrong."""
    with pytest.raises(PositionRefused, match=word):
        from_odometry(odometry(**fields), (5_000_000,))


def test_a_refusal_is_told_and_the_origin_stays_that_of_gnss() -> None:
    """Both as STATUSTEXT; an origin is answered with the one in force."""
    rig = Rig()
    rig.run(0.1)
    rig.send(odometry(quality=-1))
    reply = rig.ask(mav.MAVLink_set_gps_global_origin_message(1, 520_000_000, 45_000_000, 0))
    assert "odometry: marked as failed" in rig.texts()
    assert any(message.get_type() == "GPS_GLOBAL_ORIGIN" for message in reply)


class Indoors:
    """A real craft without GNSS that is told where it is, 20 times a second, by a program on the ground."""

    def __init__(self, conditions: Conditions = INDOORS) -> None:
        self.craft = Craft(CraftSetup("palm80", "r1", Start(), conditions, 4), Identity())
        self.station, self.now_us, self.told = mav.MAVLink(None, 255, 190), 0, True
        self.heard: list[str] = []

    def command(self, number: int, *params: float) -> None:
        """Sends a COMMAND_LONG."""
        padded = [*params, *[0.0] * (7 - len(params))]
        self.craft.receive(mav.MAVLink_command_long_message(1, 1, number, 0, *padded).pack(self.station))

    def run(self, seconds: float) -> None:
        """Lets time pass."""
        decoder = mav.MAVLink(None)
        for _ in range(round(seconds * 1e6 / TICK_US)):
            self.now_us += TICK_US
            if self.told and self.now_us % 50_000 == 0:
                _, north, east, down, *_ = self.craft.truth_row()
                sample = mav.MAVLink_vision_position_estimate_message(
                    self.now_us, north, east, down, 0, 0, NAN
                )
                self.craft.receive(sample.pack(self.station))
            self.craft.tick(self.now_us)
            for frame in self.craft.take_frames():
                if frame[7:10] == b"\xfd\x00\x00":
                    self.heard.append(decoder.decode(bytearray(frame)).text)
                else:
                    self.heard.append(str(int.from_bytes(frame[7:10], "little")))


def test_it_flies_on_positions_from_outside_alone() -> None:
    """Arms, climbs to 2 m and holds within 0.2 m; says nothing in latitude and longitude, which nobody told it."""
    flight = Indoors()
    flight.run(4.0)
    flight.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    flight.run(0.2)
    flight.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 2.0)
    flight.run(12.0)
    _, north, east, down, *_ = flight.craft.truth_row()
    assert -down == pytest.approx(2.0, abs=0.2)
    assert math.hypot(north, east) < 0.2
    told = {mav.MAVLINK_MSG_ID_GLOBAL_POSITION_INT, mav.MAVLINK_MSG_ID_HOME_POSITION}
    assert not {str(one) for one in told} & set(flight.heard)


def test_it_lands_when_the_positions_end() -> None:
    """Positions from outside were its only ones: position is lost, and it comes down where it is."""
    flight = Indoors()
    flight.run(4.0)
    flight.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    flight.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 2.0)
    flight.run(8.0)
    flight.told = False
    flight.run(30.0)
    assert any("no GNSS fix" in text or "position lost" in text for text in flight.heard)
    assert not flight.craft.core.armed
    assert abs(flight.craft.truth_row()[3]) < 0.1


def test_a_scenario_gives_the_positions_itself() -> None:
    """`position_feed` in the conditions stands for tracking cameras; nothing is sent to the craft."""
    flight = Indoors(Conditions(faults=INDOORS.faults, position_feed=PositionFeed()))
    flight.told = False
    flight.run(4.0)
    flight.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    flight.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 2.0)
    flight.run(12.0)
    assert -flight.craft.truth_row()[3] == pytest.approx(2.0, abs=0.2)

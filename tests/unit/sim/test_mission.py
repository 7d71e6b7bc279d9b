"""Missions: the protocol as the vehicle's side of it, and the plan as it is flown."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.frames import TangentPlane
from asflown.sim.identity import ModeName
from tests.unit.sim.rig import Rig
from tests.unit.sim.standin import ORIGIN

RELATIVE = mav.MAV_FRAME_GLOBAL_RELATIVE_ALT_INT
PLANE = TangentPlane(*ORIGIN)
ACCEPTED = mav.MAV_MISSION_ACCEPTED


def item(
    seq: int, command: int, north_m: float = 0.0, east_m: float = 0.0, height_m: float = 0.0,
    *, hold_s: float = 0.0, frame: int = RELATIVE, param2: float = 0.0,
) -> mav.MAVLink_mission_item_int_message:  # fmt: skip
    """One item at a place about the origin."""
    latitude_deg, longitude_deg, _ = PLANE.to_geodetic(north_m, east_m, 0.0)
    place = (round(latitude_deg * 1e7), round(longitude_deg * 1e7)) if north_m or east_m else (0, 0)
    return mav.MAVLink_mission_item_int_message(
        1, 1, seq, frame, command, 0, 1, hold_s, param2, 0, math.nan, *place, height_m
    )


PLAN = (
    item(0, mav.MAV_CMD_NAV_TAKEOFF, height_m=5.0),
    item(1, mav.MAV_CMD_NAV_WAYPOINT, 20.0, 0.0, 5.0),
    item(2, mav.MAV_CMD_NAV_WAYPOINT, 20.0, 15.0, 8.0, hold_s=3.0),
    item(3, mav.MAV_CMD_NAV_RETURN_TO_LAUNCH),
)


def upload(rig: Rig, *plan: Any) -> list[int]:
    """Uploads a plan as a ground program does; returns the results in MISSION_ACK."""
    before = len(rig.heard)
    rig.send(mav.MAVLink_mission_count_message(1, 1, len(plan)))
    for _ in range(len(plan) + 1):
        rig.run(0.02)
        asked = [m for m in rig.heard[before:] if m.get_type() == "MISSION_REQUEST_INT"]
        if asked and asked[-1].seq < len(plan):
            rig.send(plan[asked[-1].seq])
    return [m.type for m in rig.heard[before:] if m.get_type() == "MISSION_ACK"]


def download(rig: Rig) -> list[Any]:
    """Downloads the plan as a ground program does."""
    rig.ask(mav.MAVLink_mission_request_list_message(1, 1))
    count = rig.of_type("MISSION_COUNT")[-1].count
    for seq in range(count):
        rig.ask(mav.MAVLink_mission_request_int_message(1, 1, seq))
    rig.ask(mav.MAVLink_mission_ack_message(1, 1, ACCEPTED))
    return rig.of_type("MISSION_ITEM_INT")[-count:] if count else []


def same(sent: Any, received: Any) -> bool:
    """Whether an item came back as it was sent."""
    names = ("seq", "frame", "command", "autocontinue", "param1", "param2", "x", "y", "z")
    return all(getattr(sent, name) == getattr(received, name) for name in names)


def test_what_was_uploaded_comes_back() -> None:
    """Byte for byte in every field that means something."""
    rig = Rig()
    assert upload(rig, *PLAN) == [ACCEPTED]
    back = download(rig)
    assert len(back) == len(PLAN)
    assert all(same(sent, received) for sent, received in zip(PLAN, back, strict=True))


@pytest.mark.parametrize(
    "message",
    [mav.MAVLink_mission_clear_all_message(1, 1), mav.MAVLink_mission_count_message(1, 1, 0)],
    ids=["clear", "empty upload"],
)
def test_clearing_and_an_empty_upload_leave_nothing(message: Any) -> None:
    """Both are acknowledged."""
    rig = Rig()
    upload(rig, *PLAN)
    reply = rig.ask(message)
    assert [m.type for m in reply if m.get_type() == "MISSION_ACK"] == [ACCEPTED]
    assert download(rig) == []


def test_an_item_out_of_order_is_asked_for_again() -> None:
    """That is not an error."""
    rig = Rig()
    rig.send(mav.MAVLink_mission_count_message(1, 1, 4), PLAN[2], PLAN[0])
    rig.run(0.02)
    assert [m.seq for m in rig.of_type("MISSION_REQUEST_INT")] == [0, 0, 1]
    assert not rig.of_type("MISSION_ACK")


def test_an_item_that_does_not_come_is_asked_for_five_times_more() -> None:
    """Every 250 ms, then the upload ends with an error and the old plan stays."""
    rig = Rig()
    upload(rig, *PLAN)
    rig.heard.clear()
    rig.send(mav.MAVLink_mission_count_message(1, 1, 2))
    rig.run(3.0)
    assert [m.seq for m in rig.of_type("MISSION_REQUEST_INT")] == [0] * 6
    assert [m.type for m in rig.of_type("MISSION_ACK")] == [mav.MAV_MISSION_ERROR]
    assert len(download(rig)) == 4


@pytest.mark.parametrize(
    ("wrong", "result"),
    [
        (item(1, mav.MAV_CMD_NAV_LOITER_TURNS, 5, 5, 5), mav.MAV_MISSION_UNSUPPORTED),
        (item(1, mav.MAV_CMD_NAV_WAYPOINT, 5, 5, 5, frame=11), mav.MAV_MISSION_UNSUPPORTED_FRAME),
        (item(1, mav.MAV_CMD_NAV_WAYPOINT, 5, 5, 5, frame=2), mav.MAV_MISSION_UNSUPPORTED_FRAME),
        (item(1, mav.MAV_CMD_NAV_WAYPOINT, 5, 5, math.nan), mav.MAV_MISSION_INVALID_PARAM7),
    ],
    ids=["command", "terrain frame", "no frame", "altitude"],
)
def test_an_item_that_cannot_be_flown_ends_the_upload(wrong: Any, result: int) -> None:
    """The stored plan stays as it was."""
    rig = Rig()
    upload(rig, *PLAN)
    assert upload(rig, PLAN[0], wrong) == [result]
    assert len(download(rig)) == 4


def test_a_second_ground_program_cannot_break_in() -> None:
    """One transfer at a time."""
    rig = Rig()
    rig.ask(mav.MAVLink_mission_count_message(1, 1, 4))
    rig.station.srcSystem = 254
    reply = rig.ask(mav.MAVLink_mission_count_message(1, 1, 2))
    assert [m.type for m in reply if m.get_type() == "MISSION_ACK"] == [mav.MAV_MISSION_DENIED]


def test_an_older_program_uploads_floats_and_is_answered_in_integers() -> None:
    """MISSION_ITEM in, MISSION_ITEM_INT out, for the old MISSION_REQUEST too."""
    rig = Rig()
    rig.send(mav.MAVLink_mission_count_message(1, 1, 1))
    rig.send(mav.MAVLink_mission_item_message(1, 1, 0, 3, 16, 0, 1, 0, 0, 0, 0, 52.0, 4.5, 10.0))
    rig.run(0.02)
    rig.ask(mav.MAVLink_mission_request_message(1, 1, 0))
    (back,) = rig.of_type("MISSION_ITEM_INT")
    assert (back.x, back.y, back.z) == (520_000_000, 45_000_000, 10.0)


def test_a_mission_is_flown_item_by_item() -> None:
    """Take-off, two waypoints (three seconds at the second), home; each item reached is said."""
    rig = Rig()
    upload(rig, *PLAN)
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    assert rig.command(mav.MAV_CMD_MISSION_START) == mav.MAV_RESULT_ACCEPTED
    rig.run_until(lambda: rig.flies(ModeName.SAFE_RECOVERY))
    assert rig.place == pytest.approx((20, 15, 8), abs=1.0)
    rig.run_until(lambda: not rig.armed())
    assert rig.place == pytest.approx((0, 0, 0), abs=0.3)
    assert [m.seq for m in rig.of_type("MISSION_ITEM_REACHED")] == [0, 1, 2]
    currents = [m.seq for m in rig.of_type("MISSION_CURRENT")]
    assert list(dict.fromkeys(currents)) == [0, 1, 2, 3]


def test_the_hold_of_a_waypoint_lasts_as_long_as_it_says() -> None:
    """From reaching the place to moving on."""
    rig = Rig()
    upload(rig, PLAN[0], item(1, mav.MAV_CMD_NAV_WAYPOINT, 6, 0, 5, hold_s=4.0))
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.command(mav.MAV_CMD_MISSION_START)
    rig.run_until(lambda: rig.place[0] > 5.0)
    begin_us = rig.now_us
    rig.run_until(lambda: rig.flies(ModeName.POSITION_HOLD))
    assert (rig.now_us - begin_us) / 1e6 == pytest.approx(4.0, abs=0.1)


def test_a_plan_that_ends_in_a_landing_lands_there() -> None:
    """At the place of the item, and the motors stop."""
    rig = Rig()
    upload(
        rig, PLAN[0], item(1, mav.MAV_CMD_DO_CHANGE_SPEED, param2=1.0), item(2, mav.MAV_CMD_NAV_LAND, 8, 4)
    )
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.command(mav.MAV_CMD_MISSION_START)
    rig.run(8.0)
    speed_m_s = math.hypot(rig.core.estimate.velocity_north_m_s, rig.core.estimate.velocity_east_m_s)
    assert speed_m_s == pytest.approx(1.0, abs=0.05)
    rig.run_until(lambda: not rig.armed())
    assert rig.place == pytest.approx((8, 4, 0), abs=0.2)


def test_a_mission_left_and_entered_again_goes_on_where_it_was() -> None:
    """At the item it was flying to."""
    rig = Rig()
    upload(rig, *PLAN)
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.command(mav.MAV_CMD_MISSION_START)
    rig.run_until(lambda: rig.place[1] > 7.0)
    rig.select(ModeName.POSITION_HOLD)
    rig.run(3)
    rig.select(ModeName.MISSION)
    rig.run(0.02)
    assert rig.core.target.east_m == pytest.approx(15.0, abs=0.05)


def under_way() -> Rig:
    """A craft on its way to the first waypoint of PLAN."""
    rig = Rig()
    upload(rig, *PLAN)
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.command(mav.MAV_CMD_MISSION_START)
    rig.run_until(lambda: rig.place[0] > 8.0)
    return rig


def test_a_plan_changed_further_on_lets_the_craft_fly_on() -> None:
    """The item that is being flown is the same in both: nothing happens until the new one is due."""
    rig = under_way()
    assert upload(rig, *PLAN[:2], item(2, mav.MAV_CMD_NAV_WAYPOINT, 20, -9, 5)) == [ACCEPTED]
    rig.run(0.5)
    assert rig.core.target.north_m == pytest.approx(20, abs=0.05)
    rig.run_until(lambda: rig.flies(ModeName.POSITION_HOLD))
    assert rig.place == pytest.approx((20, -9, 5), abs=1.0)


def test_a_plan_changed_under_the_craft_begins_anew() -> None:
    """Another item at the place of the current one: the new plan starts with its first."""
    rig = under_way()
    upload(rig, item(0, mav.MAV_CMD_NAV_WAYPOINT, 4, 4, 6), item(1, mav.MAV_CMD_NAV_WAYPOINT, 0, 4, 6))
    rig.run(0.1)
    assert rig.craft.autopilot.mission.current == 0
    assert rig.core.target.east_m == pytest.approx(4, abs=0.05)


def test_a_plan_cleared_in_flight_leaves_the_craft_holding() -> None:
    """Position hold, where it comes to rest."""
    rig = under_way()
    rig.ask(mav.MAVLink_mission_clear_all_message(1, 1))
    assert rig.flies(ModeName.POSITION_HOLD)


def test_a_refused_change_leaves_the_mission_as_it_is_flown() -> None:
    """The upload ends in an error; the craft flies on."""
    rig = under_way()
    assert upload(rig, PLAN[0], item(1, mav.MAV_CMD_NAV_LOITER_TURNS, 5, 5, 5)) == [
        mav.MAV_MISSION_UNSUPPORTED
    ]
    assert rig.flies(ModeName.MISSION)
    assert rig.core.target.north_m == pytest.approx(20, abs=0.05)


def test_a_mission_that_does_not_begin_with_a_take_off_does_not_leave_the_ground() -> None:
    """Refused with words."""
    rig = Rig()
    upload(rig, item(0, mav.MAV_CMD_NAV_WAYPOINT, 5, 5, 5))
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    assert rig.command(mav.MAV_CMD_MISSION_START) == mav.MAV_RESULT_TEMPORARILY_REJECTED
    assert "mission refused: first item is no take-off" in rig.texts()


def test_the_current_item_can_be_set_by_message_and_by_command() -> None:
    """Success shows as MISSION_CURRENT, failure as text or result."""
    rig = Rig()
    upload(rig, *PLAN)
    rig.ask(mav.MAVLink_mission_set_current_message(1, 1, 2))
    assert rig.of_type("MISSION_CURRENT")[-1].seq == 2
    rig.ask(mav.MAVLink_mission_set_current_message(1, 1, 9))
    assert "mission: there is no item 9" in rig.texts()
    assert rig.command(mav.MAV_CMD_DO_SET_MISSION_CURRENT, 1) == mav.MAV_RESULT_ACCEPTED
    assert rig.of_type("MISSION_CURRENT")[-1].seq == 1


def waiting(*plan: Any) -> Rig:
    """A craft that flies a plan that begins with PLAN's take-off."""
    rig = Rig()
    assert upload(rig, PLAN[0], *plan) == [ACCEPTED]
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.command(mav.MAV_CMD_MISSION_START)
    return rig


def test_jumps_are_counted() -> None:
    """Twice back to item 1, then on."""
    rig = waiting(
        item(1, mav.MAV_CMD_NAV_WAYPOINT, 4, 0, 5),
        item(2, mav.MAV_CMD_NAV_WAYPOINT, 0, 2, 5),
        item(3, mav.MAV_CMD_DO_JUMP, hold_s=1, param2=2),
    )
    rig.run_until(lambda: rig.flies(ModeName.POSITION_HOLD))
    assert [m.seq for m in rig.of_type("MISSION_ITEM_REACHED")] == [0, 1, 2, 1, 2, 1, 2]


def test_a_jump_that_leads_nowhere_is_refused() -> None:
    """The plan is judged as a whole once it is complete."""
    plan = (PLAN[0], item(1, mav.MAV_CMD_DO_JUMP, hold_s=7, param2=1))
    assert upload(Rig(), *plan) == [mav.MAV_MISSION_INVALID_PARAM1]


def test_an_unlimited_stay_waits_for_another_item_to_be_set() -> None:
    """It is never reached by itself."""
    rig = waiting(item(1, mav.MAV_CMD_NAV_LOITER_UNLIM, 4, 0, 5), item(2, mav.MAV_CMD_NAV_LAND))
    rig.run(30)
    assert rig.place == pytest.approx((4, 0, 5), abs=0.3)
    rig.ask(mav.MAVLink_mission_set_current_message(1, 1, 2))
    rig.run_until(lambda: not rig.armed())


def test_yaw_and_delay_between_waypoints() -> None:
    """Turned to 90 degrees, then three seconds on the spot."""
    rig = waiting(
        item(1, mav.MAV_CMD_CONDITION_YAW, hold_s=90), item(2, mav.MAV_CMD_CONDITION_DELAY, hold_s=3)
    )
    rig.run_until(lambda: rig.craft.autopilot.mission.current == 2)
    begin_us = rig.now_us
    rig.run_until(lambda: rig.flies(ModeName.POSITION_HOLD))
    assert (rig.now_us - begin_us) / 1e6 == pytest.approx(3.0, abs=0.1)
    assert math.degrees(rig.core.estimate.yaw_rad) == pytest.approx(90, abs=1)

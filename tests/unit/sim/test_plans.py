"""Fences and rally points as plans, partial transfers, and the identifiers of plans."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.sim.identity import ModeName
from tests.unit.sim.rig import POSITION_ONLY, Rig
from tests.unit.sim.test_mission import ACCEPTED, PLAN, PLANE, download, item, same, upload

FENCE, RALLY, EVERYTHING = 1, 2, 255
INSIDE, OUTSIDE = mav.MAV_CMD_NAV_FENCE_POLYGON_VERTEX_INCLUSION, mav.MAV_CMD_NAV_FENCE_CIRCLE_EXCLUSION
CORNERS = [(-20, -20), (40, -20), (40, 20), (-20, 20)]


def planned(mission_type: int, seq: int, command: int, place: tuple[float, float], *params: float) -> Any:
    """An item of a fence or rally plan."""
    latitude_deg, longitude_deg, _ = PLANE.to_geodetic(*place, 0.0)
    padded = [*params, *[0.0] * (4 - len(params))]
    return mav.MAVLink_mission_item_int_message(
        1, 1, seq, mav.MAV_FRAME_GLOBAL_INT, command, 0, 1, *padded,
        round(latitude_deg * 1e7), round(longitude_deg * 1e7), 0.0, mission_type,
    )  # fmt: skip


FENCE_PLAN = (
    *(planned(FENCE, seq, INSIDE, corner, 4.0) for seq, corner in enumerate(CORNERS)),
    planned(FENCE, 4, OUTSIDE, (10.0, 10.0), 4.0),
)


def send_plan(rig: Rig, mission_type: int, plan: tuple[Any, ...]) -> int:
    """Uploads a plan of any kind; returns the result."""
    before = len(rig.heard)
    rig.ask(mav.MAVLink_mission_count_message(1, 1, len(plan), mission_type))
    for one in plan:
        rig.ask(one)
    acks = [m for m in rig.heard[before:] if m.get_type() == "MISSION_ACK"]
    assert {ack.mission_type for ack in acks} == {mission_type}
    return int(acks[-1].type)


def flown_with_fence(place: tuple[float, float, float]) -> Rig:
    """A craft inside the fence that is sent to a place by a set-point."""
    rig = Rig()
    assert send_plan(rig, FENCE, FENCE_PLAN) == ACCEPTED
    rig.fly_in(ModeName.SET_POINTS)
    rig.set_point(1, POSITION_ONLY, place)
    return rig


def test_a_fence_comes_back_as_it_was_sent() -> None:
    """And the mission beside it is a plan of its own."""
    rig = Rig()
    upload(rig, *PLAN)
    send_plan(rig, FENCE, FENCE_PLAN)
    rig.ask(mav.MAVLink_mission_request_list_message(1, 1, FENCE))
    for seq in range(5):
        rig.ask(mav.MAVLink_mission_request_int_message(1, 1, seq, FENCE))
    back = rig.of_type("MISSION_ITEM_INT")
    assert all(same(sent, received) for sent, received in zip(FENCE_PLAN, back, strict=True))
    assert len(download(rig)) == len(PLAN)


@pytest.mark.parametrize(
    "plan",
    [
        (planned(FENCE, 0, INSIDE, (1, 1), 4.0),),
        tuple(planned(FENCE, seq, INSIDE, (seq, seq * seq), 2.0) for seq in range(2)),
        (planned(FENCE, 0, OUTSIDE, (1, 1), 0.0),),
    ],
    ids=["corners missing", "two corners", "no radius"],
)
def test_a_fence_that_makes_no_sense_is_refused_as_a_whole(plan: tuple[Any, ...]) -> None:
    """Parameter 1 is wrong; the fence that was there stays."""
    rig = Rig()
    send_plan(rig, FENCE, FENCE_PLAN)
    assert send_plan(rig, FENCE, plan) == mav.MAV_MISSION_INVALID_PARAM1
    assert len(rig.craft.autopilot.fence.areas) == 2


@pytest.mark.parametrize(
    ("place", "stops_before"),
    [((80.0, 0.0, -10.0), 40.0), ((30.0, 30.0, -10.0), 8.0)],
    ids=["inclusion", "exclusion"],
)
def test_the_fence_stops_the_craft_before_it(place: tuple[float, float, float], stops_before: float) -> None:
    """Out of the polygon, or into the circle: position hold on this side."""
    rig = flown_with_fence(place)
    rig.run_until(lambda: rig.flies(ModeName.POSITION_HOLD))
    rig.run(5.0)
    assert "fence boundary: position hold" in rig.texts()
    assert (
        rig.craft.autopilot.fence.at(rig.craft.autopilot.situation.here(), rig.craft.autopilot.situation) == 0
    )
    assert 0.0 < rig.place[0] < stops_before


def test_a_fence_that_is_switched_off_stops_nobody() -> None:
    """DO_FENCE_ENABLE 0."""
    rig = flown_with_fence((60.0, 0.0, -10.0))
    assert rig.command(mav.MAV_CMD_DO_FENCE_ENABLE, 0) == mav.MAV_RESULT_ACCEPTED
    rig.run(30.0)
    assert rig.place[0] == pytest.approx(60, abs=0.2)
    assert rig.command(mav.MAV_CMD_DO_FENCE_ENABLE, 2) == mav.MAV_RESULT_DENIED


def test_outside_the_fence_nobody_arms() -> None:
    """Waiting does not help."""
    rig = Rig()
    send_plan(rig, FENCE, (planned(FENCE, 0, mav.MAV_CMD_NAV_FENCE_CIRCLE_INCLUSION, (90, 0), 20.0),))
    assert rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1) == mav.MAV_RESULT_FAILED
    assert "arming refused: outside the fence" in rig.texts()


def test_a_rally_point_nearer_than_home_is_where_the_craft_comes_home_to() -> None:
    """Safe recovery lands there."""
    rig = Rig()
    assert send_plan(rig, RALLY, (planned(RALLY, 0, mav.MAV_CMD_NAV_RALLY_POINT, (25, 6)),)) == ACCEPTED
    rig.fly_in(ModeName.SET_POINTS)
    rig.set_point(1, POSITION_ONLY, (30, 0, -10))
    rig.run(20)
    rig.command(mav.MAV_CMD_NAV_RETURN_TO_LAUNCH)
    rig.run_until(lambda: not rig.armed())
    assert rig.place == pytest.approx((25, 6, 0), abs=0.3)


def test_a_part_of_a_mission_is_replaced() -> None:
    """MISSION_WRITE_PARTIAL_LIST asks for those items alone, and the rest stays."""
    rig = Rig()
    upload(rig, *PLAN)
    rig.ask(mav.MAVLink_mission_write_partial_list_message(1, 1, 1, 1))
    assert rig.of_type("MISSION_REQUEST_INT")[-1].seq == 1
    rig.ask(item(1, mav.MAV_CMD_NAV_WAYPOINT, 7, 7, 7))
    assert rig.of_type("MISSION_ACK")[-1].type == ACCEPTED
    back = download(rig)
    assert [one.z for one in back] == [5.0, 7.0, 8.0, 0.0]


@pytest.mark.parametrize(("first", "last"), [(2, 1), (0, 4), (-1, 0)], ids=["backwards", "too far", "before"])
def test_a_part_that_there_is_not_cannot_be_replaced(first: int, last: int) -> None:
    """Invalid sequence."""
    rig = Rig()
    upload(rig, *PLAN)
    rig.ask(mav.MAVLink_mission_write_partial_list_message(1, 1, first, last))
    assert rig.of_type("MISSION_ACK")[-1].type == mav.MAV_MISSION_INVALID_SEQUENCE


def test_a_part_of_a_mission_is_sent_on_request() -> None:
    """MISSION_REQUEST_PARTIAL_LIST: the items themselves, an end of -1 is the last."""
    rig = Rig()
    upload(rig, *PLAN)
    rig.ask(mav.MAVLink_mission_request_partial_list_message(1, 1, 2, -1))
    assert [m.seq for m in rig.of_type("MISSION_ITEM_INT")] == [2, 3]


def test_clearing_everything_clears_every_plan() -> None:
    """MISSION_TYPE_ALL."""
    rig = Rig()
    upload(rig, *PLAN)
    send_plan(rig, FENCE, FENCE_PLAN)
    rig.ask(mav.MAVLink_mission_clear_all_message(1, 1, EVERYTHING))
    assert not rig.craft.autopilot.fence.areas
    assert download(rig) == []


def opaque_ids(rig: Rig) -> tuple[int, int, int]:
    """Identifiers behind the fields of MISSION_CURRENT that pymavlink knows: bytes 6 to 18 of the payload."""
    rig.command(512, mav.MAVLINK_MSG_ID_MISSION_CURRENT)
    frame = next(f for f in reversed(rig.frames) if f[7] == mav.MAVLINK_MSG_ID_MISSION_CURRENT)
    payload = frame[10 : 10 + frame[1]].ljust(18, b"\0")
    mission, fence, rally = struct.unpack("<3I", payload[6:18])
    return mission, fence, rally


def test_a_plan_has_an_identifier_that_changes_with_it() -> None:
    """0 without a plan; equal for equal plans; the acknowledgement carries the same one."""
    rig = Rig()
    assert opaque_ids(rig) == (0, 0, 0)
    upload(rig, *PLAN)
    ack = next(f for f in reversed(rig.frames) if f[7] == mav.MAVLINK_MSG_ID_MISSION_ACK)
    first = opaque_ids(rig)[0]
    assert struct.unpack("<I", ack[10 : 10 + ack[1]].ljust(8, b"\0")[4:8]) == (first,)
    upload(rig, *PLAN[:2])
    second = opaque_ids(rig)[0]
    upload(rig, *PLAN)
    assert 0 != first != second != 0
    assert opaque_ids(rig)[0] == first

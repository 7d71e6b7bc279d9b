"""Set-points resolved to north-east-down: every frame, every mask, and what is refused."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common as mav

from asflown.frames import TangentPlane
from asflown.sim.interface import Estimate
from asflown.sim.set_points import SetPointRefused, Vantage, from_global, from_local

EAST = math.pi / 2
PLANE = TangentPlane(52.0, 4.5, 3.0)
POSITION, VELOCITY, ACCELERATION, YAW, YAW_RATE = 0x007, 0x038, 0x1C0, 0x400, 0x800
ALL = POSITION | VELOCITY | ACCELERATION | YAW | YAW_RATE

SQUARE_NED = (1, 2, -3)


def vantage(yaw_rad: float = EAST, home_down_m: float | None = -1.0) -> Vantage:
    """A craft at north 10, east 20, 5 m up, that looks east; home is 1 m above the origin."""
    estimate = Estimate(north_m=10.0, east_m=20.0, down_m=-5.0, yaw_rad=yaw_rad, origin_known=True)
    return Vantage(estimate, PLANE, home_down_m)


def local(
    frame: int, use: int, position: Any = (0, 0, 0), velocity: Any = (0, 0, 0), acceleration: Any = (0, 0, 0),
    yaw: float = 0.0, rate: float = 0.0,
) -> mav.MAVLink_set_position_target_local_ned_message:  # fmt: skip
    """A message that uses the fields whose bits stand in `use`."""
    return mav.MAVLink_set_position_target_local_ned_message(
        0, 1, 1, frame, ALL & ~use, *position, *velocity, *acceleration, yaw, rate
    )


@pytest.mark.parametrize(
    ("frame", "expected"),
    [
        (mav.MAV_FRAME_LOCAL_NED, (1, 2, -3)),
        (mav.MAV_FRAME_LOCAL_OFFSET_NED, (11, 22, -8)),
        (mav.MAV_FRAME_BODY_NED, (1, 2, -3)),
        (mav.MAV_FRAME_BODY_OFFSET_NED, (8, 21, -8)),
        (mav.MAV_FRAME_BODY_FRD, (8, 21, -8)),
        (mav.MAV_FRAME_LOCAL_FRD, (-2, 1, -3)),
    ],
    ids=["LOCAL_NED", "LOCAL_OFFSET_NED", "BODY_NED", "BODY_OFFSET_NED", "BODY_FRD", "LOCAL_FRD"],
)
def test_positions_of_a_craft_that_looks_east(frame: int, expected: tuple[float, float, float]) -> None:
    """1 forward or north, 2 right or east, 3 up; facing east, forward is east and right is south."""
    point = from_local(local(frame, POSITION, SQUARE_NED), vantage())
    assert (point.north_m, point.east_m, point.down_m) == pytest.approx(expected)
    assert (point.velocity_north_m_s, point.yaw_rad) == (None, None)


@pytest.mark.parametrize(
    ("frame", "expected"),
    [
        (mav.MAV_FRAME_LOCAL_NED, (1, 2)),
        (mav.MAV_FRAME_LOCAL_OFFSET_NED, (1, 2)),
        (mav.MAV_FRAME_BODY_NED, (-2, 1)),
        (mav.MAV_FRAME_BODY_OFFSET_NED, (-2, 1)),
        (mav.MAV_FRAME_BODY_FRD, (-2, 1)),
        (mav.MAV_FRAME_LOCAL_FRD, (-2, 1)),
    ],
    ids=["LOCAL_NED", "LOCAL_OFFSET_NED", "BODY_NED", "BODY_OFFSET_NED", "BODY_FRD", "LOCAL_FRD"],
)
def test_velocities_and_accelerations_of_a_craft_that_looks_east(
    frame: int, expected: tuple[float, float]
) -> None:
    """Body axes turn with the heading, the others do not; down stays down."""
    use = VELOCITY | ACCELERATION
    point = from_local(local(frame, use, velocity=(1, 2, 0.5), acceleration=(1, 2, 0.5)), vantage())
    assert (point.velocity_north_m_s, point.velocity_east_m_s) == pytest.approx(expected)
    assert point.velocity_down_m_s == 0.5
    assert point.acceleration_ned_m_s2 == pytest.approx((*expected, 0.5))


@pytest.mark.parametrize(
    ("frame", "expected"),
    [(1, 0.25), (7, 0.25), (8, EAST + 0.25), (9, EAST + 0.25), (12, EAST + 0.25)],
    ids=["LOCAL_NED", "LOCAL_OFFSET_NED", "BODY_NED", "BODY_OFFSET_NED", "BODY_FRD"],
)
def test_yaw_is_relative_to_the_heading_in_body_frames(frame: int, expected: float) -> None:
    """Elsewhere it is a heading from north."""
    assert from_local(local(frame, YAW, yaw=0.25), vantage()).yaw_rad == pytest.approx(expected)


@given(
    yaw=st.floats(-math.pi, math.pi),
    forward=st.floats(-50, 50),
    right=st.floats(-50, 50),
    down=st.floats(-50, 50),
)
def test_an_offset_is_as_long_in_the_air_as_on_paper(
    yaw: float, forward: float, right: float, down: float
) -> None:
    """Whatever the heading, the point lies as far away as the message says, and forward is along the heading."""
    craft = vantage(yaw)
    point = from_local(local(mav.MAV_FRAME_BODY_FRD, POSITION, (forward, right, down)), craft)
    north, east = (point.north_m or 0.0) - 10.0, (point.east_m or 0.0) - 20.0
    assert math.hypot(north, east) == pytest.approx(math.hypot(forward, right), abs=1e-9)
    assert north * math.cos(yaw) + east * math.sin(yaw) == pytest.approx(forward, abs=1e-9)


@pytest.mark.parametrize(
    ("frame", "altitude_m", "down_m"),
    [
        (mav.MAV_FRAME_GLOBAL, 13.0, -10.0),
        (mav.MAV_FRAME_GLOBAL_INT, 13.0, -10.0),
        (mav.MAV_FRAME_GLOBAL_RELATIVE_ALT, 9.0, -10.0),
        (mav.MAV_FRAME_GLOBAL_RELATIVE_ALT_INT, 9.0, -10.0),
    ],
    ids=["GLOBAL", "GLOBAL_INT", "RELATIVE_ALT", "RELATIVE_ALT_INT"],
)
def test_global_frames(frame: int, altitude_m: float, down_m: float) -> None:
    """The origin is 3 m above the sea, home 1 m above the origin."""
    latitude_deg, longitude_deg, _ = PLANE.to_geodetic(100.0, -50.0, 0.0)
    message = mav.MAVLink_set_position_target_global_int_message(
        0, 1, 1, frame, ALL & ~POSITION, round(latitude_deg * 1e7), round(longitude_deg * 1e7), altitude_m,
        0, 0, 0, 0, 0, 0, 0, 0,
    )  # fmt: skip
    point = from_global(message, vantage())
    assert (point.north_m, point.east_m) == pytest.approx((100.0, -50.0), abs=0.02)
    assert point.down_m == pytest.approx(down_m, abs=0.01)


@pytest.mark.parametrize("frame", [10, 11], ids=["TERRAIN_ALT", "TERRAIN_ALT_INT"])
def test_terrain_frames_are_refused_with_the_reason(frame: int) -> None:
    """There is no terrain data on board."""
    message = mav.MAVLink_set_position_target_global_int_message(
        0, 1, 1, frame, 0xDF8, 0, 0, 5.0, 0, 0, 0, 0, 0, 0, 0, 0
    )
    with pytest.raises(SetPointRefused, match="no terrain data"):
        from_global(message, vantage())


def test_an_altitude_above_home_needs_a_home() -> None:
    """Before there is one, it means nothing."""
    message = mav.MAVLink_set_position_target_global_int_message(
        0, 1, 1, 6, 0xDF8, 520_000_000, 45_000_000, 5.0, 0, 0, 0, 0, 0, 0, 0, 0
    )
    with pytest.raises(SetPointRefused, match="no home yet"):
        from_global(message, vantage(home_down_m=None))


@pytest.mark.parametrize(
    ("mask", "words"),
    [
        (ALL, "ignores everything"),
        (0x1000, "unknown bits"),
        (0xDF8 | 0x200, "force"),
        (ALL & ~0x001, "position x without y"),
        (ALL & ~0x010, "velocity x without y"),
        (ALL & ~0x040, "part of an acceleration"),
    ],
    ids=["nothing", "unknown bit", "force", "x alone", "vy alone", "ax alone"],
)
def test_masks_that_make_no_sense_are_refused(mask: int, words: str) -> None:
    """The text names what is wrong."""
    message = mav.MAVLink_set_position_target_local_ned_message(
        0, 1, 1, 1, mask, 1, 2, 3, 4, 5, 6, 7, 8, 9, 1, 1
    )
    with pytest.raises(SetPointRefused, match=words):
        from_local(message, vantage())


@pytest.mark.parametrize(
    ("use", "moving"),
    [
        (POSITION, False),
        (POSITION | VELOCITY, False),
        (POSITION | YAW_RATE, True),
        (POSITION | YAW | YAW_RATE, False),
        (VELOCITY, True),
        (VELOCITY | 0x004, True),
        (0x003 | 0x020, True),
        (ACCELERATION, True),
        (YAW, False),
        (YAW_RATE, True),
    ],
    ids=[
        "position", "with feed-forward", "position and spin", "yaw with a rate", "velocity",
        "velocity at a height", "climb over a place", "acceleration", "yaw", "yaw rate",
    ],
)  # fmt: skip
def test_what_moves_on_without_an_end_is_told_apart(use: int, moving: bool) -> None:
    """Only those must not outlive their sender."""
    point = from_local(local(1, use, (1, 2, -3), (1, 1, 1), (1, 1, 1), 0.1, 0.1), vantage())
    assert point.moving is moving


def _filled(bad: int, value: float) -> list[Any]:
    """All fields of a message; those whose bits stand in `bad` hold `value`, the others 1."""
    three: list[Any] = [(value if bad & bits else 1.0,) * 3 for bits in (POSITION, VELOCITY, ACCELERATION)]
    return [*three, *(value if bad & bit else 1.0 for bit in (YAW, YAW_RATE))]


@pytest.mark.parametrize("value", [math.nan, math.inf], ids=["nan", "inf"])
@pytest.mark.parametrize("use", [POSITION, VELOCITY, ACCELERATION, YAW, YAW_RATE], ids=hex)
def test_a_used_value_that_is_no_number_is_refused(use: int, value: float) -> None:
    """Ignored fields may hold anything."""
    three = (value, value, value)
    with pytest.raises(SetPointRefused, match="not a number"):
        from_local(local(1, use, three, three, three, value, value), vantage())
    point = from_local(local(1, ALL & ~use, *_filled(use, value)), vantage())
    assert point is not None


def test_a_point_beyond_twenty_kilometres_is_taken_for_a_mistake() -> None:
    """Degrees sent as metres, say."""
    with pytest.raises(SetPointRefused, match="20 km"):
        from_local(local(1, POSITION, (520_000, 45_000, -3)), vantage())


@pytest.mark.parametrize("frame", [0, 2, 4, 5, 13, 19, 21, 255], ids=str)
def test_frames_that_are_not_supported_are_named(frame: int) -> None:
    """The number stands in the text."""
    with pytest.raises(SetPointRefused, match=f"frame {frame} is not supported"):
        from_local(local(frame, POSITION), vantage())


def test_latitude_and_longitude_need_an_origin() -> None:
    """In a flight without GNSS whose origin nobody has named they mean nothing."""
    message = mav.MAVLink_set_position_target_global_int_message(
        0, 1, 1, 6, 0xDF8, 520_000_000, 45_000_000, 5.0, 0, 0, 0, 0, 0, 0, 0, 0
    )
    with pytest.raises(SetPointRefused, match="no origin"):
        from_global(message, Vantage(Estimate(), PLANE, 0.0))

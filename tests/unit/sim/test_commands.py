"""What commands do, beyond modes and arming: places, turns, speed, home, messages on request."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.frames import TangentPlane
from asflown.sim.identity import ModeName
from tests.unit.sim.rig import POSITION_ONLY, Rig
from tests.unit.sim.standin import ORIGIN

ACCEPTED, NOT_NOW, DENIED, UNSUPPORTED, FAILED, INT_ONLY, WRONG_FRAME = 0, 1, 2, 3, 4, 8, 9
NAN = math.nan
REPOSITION = mav.MAV_CMD_DO_REPOSITION
CHANGE_MODE = mav.MAV_DO_REPOSITION_FLAGS_CHANGE_MODE
RELATIVE = mav.MAV_FRAME_GLOBAL_RELATIVE_ALT_INT
PLANE = TangentPlane(*ORIGIN)


def flying(mode: ModeName = ModeName.POSITION_HOLD) -> Rig:
    """A craft 10 m up."""
    rig = Rig()
    rig.fly_in(mode)
    return rig


def place(north_m: float, east_m: float) -> tuple[int, int]:
    """Latitude and longitude, scaled, of a place about the origin."""
    latitude_deg, longitude_deg, _ = PLANE.to_geodetic(north_m, east_m, 0.0)
    return round(latitude_deg * 1e7), round(longitude_deg * 1e7)


def test_reposition_flies_there_and_holds() -> None:
    """COMMAND_INT, altitude above home."""
    rig = flying()
    assert rig.command_int(REPOSITION, RELATIVE, (-1, 0, 0, NAN), *place(12, -7), 6.0) == ACCEPTED
    rig.run(20)
    assert rig.place == pytest.approx((12, -7, 6), abs=0.05)
    assert rig.flies(ModeName.POSITION_HOLD)


def test_reposition_above_the_sea() -> None:
    """The origin lies 3 m above it."""
    rig = flying()
    assert rig.command_int(REPOSITION, 5, (-1, 0, 0, NAN), *place(0, 5), 11.0) == ACCEPTED
    rig.run(15)
    assert rig.place == pytest.approx((0, 5, 8), abs=0.05)


def test_reposition_as_a_command_long() -> None:
    """Degrees as floats, a third of a metre apart here; altitude above the sea."""
    rig = flying()
    latitude, longitude = place(10, 0)
    params = (-1, 0, 0, NAN, latitude / 1e7, longitude / 1e7, 13.0)
    assert rig.command(REPOSITION, *params) == ACCEPTED
    rig.run(15)
    assert rig.place == pytest.approx((10, 0, 10), abs=0.5)


def test_reposition_keeps_what_is_not_given() -> None:
    """INT32_MAX for the place, NaN for the altitude."""
    rig = flying()
    unset = 0x7FFF_FFFF
    assert rig.command_int(REPOSITION, RELATIVE, (-1, 0, 0, NAN), unset, unset, 4.0) == ACCEPTED
    rig.run(10)
    assert rig.place == pytest.approx((0, 0, 4), abs=0.05)
    assert rig.command_int(REPOSITION, RELATIVE, (-1, 0, 0, NAN), *place(3, 0), NAN) == ACCEPTED
    rig.run(10)
    assert rig.place == pytest.approx((3, 0, 4), abs=0.05)


def test_reposition_at_its_own_speed_and_yaw() -> None:
    """1 m/s, and the yaw in radians as its definition has it."""
    rig = flying()
    rig.command_int(REPOSITION, RELATIVE, (1.0, 0, 0, 1.2), *place(20, 0), 10.0)
    rig.run(5)
    assert rig.core.estimate.velocity_north_m_s == pytest.approx(1.0, abs=0.01)
    assert rig.core.estimate.yaw_rad == pytest.approx(1.2, abs=0.05)


def test_reposition_from_another_mode_needs_the_flag() -> None:
    """Without it, refused; with it, position hold takes over."""
    rig = flying()
    rig.command(mav.MAV_CMD_NAV_RETURN_TO_LAUNCH)
    assert rig.command_int(REPOSITION, RELATIVE, (-1, 0, 0, NAN), *place(5, 5), 10.0) == NOT_NOW
    assert rig.command_int(REPOSITION, RELATIVE, (-1, CHANGE_MODE, 0, NAN), *place(5, 5), 10.0) == ACCEPTED
    assert rig.flies(ModeName.POSITION_HOLD)
    rig.run(15)
    assert rig.place == pytest.approx((5, 5, 10), abs=0.05)


def test_reposition_in_set_points_mode_is_a_set_point() -> None:
    """The mode stays, and the next set-point takes over."""
    rig = flying(ModeName.SET_POINTS)
    rig.command_int(REPOSITION, RELATIVE, (-1, CHANGE_MODE, 0, NAN), *place(5, 5), 10.0)
    rig.run(10)
    assert rig.flies(ModeName.SET_POINTS)
    assert rig.place == pytest.approx((5, 5, 10), abs=0.05)
    rig.set_point(1, POSITION_ONLY, (0, 0, -10))
    rig.run(10)
    assert rig.place == pytest.approx((0, 0, 10), abs=0.05)


def test_reposition_on_the_ground_is_refused() -> None:
    """It is for flying craft."""
    assert Rig().command_int(REPOSITION, RELATIVE, (-1, 1, 0, NAN), *place(5, 5), 10.0) == NOT_NOW


@pytest.mark.parametrize(
    ("direction", "turned_deg"),
    [(0, -90.0), (1, 270.0), (-1, -90.0)],
    ids=["shortest", "clockwise", "counter"],
)
def test_a_turn_goes_round_the_way_it_is_told(direction: int, turned_deg: float) -> None:
    """From north to west at 45 deg/s, watched all the way."""
    rig = flying()
    turned = 0.0
    assert rig.command(mav.MAV_CMD_CONDITION_YAW, 270, 45, direction, 0) == ACCEPTED
    last = rig.core.estimate.yaw_rad
    turned += last
    for _ in range(100):
        rig.run(0.1)
        turned += math.remainder(rig.core.estimate.yaw_rad - last, math.tau)
        last = rig.core.estimate.yaw_rad
    assert math.degrees(turned) == pytest.approx(turned_deg, abs=1.0)


def test_a_relative_turn() -> None:
    """30 degrees counter-clockwise of where the craft looks."""
    rig = flying()
    rig.command(mav.MAV_CMD_CONDITION_YAW, 30, 0, -1, 1)
    rig.run(5)
    assert math.degrees(rig.core.estimate.yaw_rad) == pytest.approx(-30, abs=0.5)


def test_change_of_speed_holds_until_the_mode_changes() -> None:
    """1 m/s for this mode, the vehicle's own for the next."""
    rig = flying(ModeName.SET_POINTS)
    assert rig.command(mav.MAV_CMD_DO_CHANGE_SPEED, 1, 1.0, -1) == ACCEPTED
    rig.set_point(1, POSITION_ONLY, (50, 0, -10))
    rig.run(4)
    assert rig.core.estimate.velocity_north_m_s == pytest.approx(1.0, abs=0.01)
    rig.select(ModeName.POSITION_HOLD)
    rig.select(ModeName.SET_POINTS)
    rig.set_point(1, POSITION_ONLY, (50, 0, -10))
    rig.run(4)
    assert rig.core.estimate.velocity_north_m_s == pytest.approx(rig.core.limits.speed_m_s, abs=0.01)


@pytest.mark.parametrize(
    ("params", "result"),
    [
        ((1, 2.0, -1), ACCEPTED),
        ((1, -1.0, -1), ACCEPTED),
        ((1, -2.0, -1), ACCEPTED),
        ((1, 50.0, -1), DENIED),
        ((1, 0.0, -1), DENIED),
        ((1, NAN, -1), DENIED),
        ((0, 2.0, -1), DENIED),
        ((2, 1.0, -1), DENIED),
    ],
    ids=["2 m/s", "no change", "default", "too fast", "nought", "nan", "airspeed", "climb speed"],
)
def test_speeds_that_can_be_asked_for(params: tuple[float, ...], result: int) -> None:
    """Ground speed, within the craft's limits."""
    assert flying().command(mav.MAV_CMD_DO_CHANGE_SPEED, *params) == result


def test_home_can_be_moved_to_a_place_and_to_here() -> None:
    """A place needs COMMAND_INT: floats are too coarse for it."""
    rig = flying()
    set_home = mav.MAV_CMD_DO_SET_HOME
    latitude, longitude = place(9, 9)
    assert rig.command(set_home, 0, 0, 0, 0, latitude / 1e7, longitude / 1e7, 3.0) == INT_ONLY
    assert rig.command_int(set_home, 5, (0, 0, 0, 0), latitude, longitude, 3.0) == ACCEPTED
    assert rig.craft.autopilot.situation.home == pytest.approx((9, 9, 0), abs=0.02)
    assert rig.command(set_home, 1) == ACCEPTED
    assert rig.craft.autopilot.situation.home == pytest.approx((0, 0, -10), abs=0.1)
    assert rig.command(set_home, 2) == DENIED


def test_landing_at_a_place_must_be_close_by() -> None:
    """5 m; farther away the craft would have to fly there first."""
    rig = flying()
    land = mav.MAV_CMD_NAV_LAND
    assert rig.command_int(land, RELATIVE, (0, 0, 0, NAN), *place(50, 0), 0.0) == DENIED
    assert "landing refused: fly to the place first" in rig.texts()
    assert rig.command_int(land, RELATIVE, (0, 0, 0, NAN), *place(2, 1), 0.0) == ACCEPTED
    rig.run_until(lambda: not rig.armed())
    assert rig.place == pytest.approx((2, 1, 0), abs=0.05)


def test_a_place_to_land_at_is_forgotten_with_its_landing() -> None:
    """Given during a landing it changes nothing, neither now nor at the next one."""
    rig = flying()
    rig.command(mav.MAV_CMD_NAV_LAND)
    rig.command_int(mav.MAV_CMD_NAV_LAND, RELATIVE, (0, 0, 0, NAN), *place(3, 3), 0.0)
    rig.run(1)
    rig.command_int(REPOSITION, RELATIVE, (-1, CHANGE_MODE, 0, NAN), *place(30, 0), 5.0)
    rig.run(20)
    rig.command(mav.MAV_CMD_NAV_LAND)
    rig.run_until(lambda: not rig.armed())
    assert rig.place == pytest.approx((30, 0, 0), abs=0.1)


def test_a_second_take_off_while_the_first_is_flown_is_refused() -> None:
    """Its height does not wait for the take-off after that."""
    rig = Rig()
    rig.command(400, 1)
    rig.command(22, 0, 0, 0, 0, 0, 0, 4.0)
    assert rig.command(22, 0, 0, 0, 0, 0, 0, 9.0) == NOT_NOW
    rig.run(8)
    assert rig.place[2] == pytest.approx(4.0, abs=0.05)


@pytest.mark.parametrize(
    ("send", "height_m"),
    [
        (lambda rig: rig.command(22, 0, 0, 0, 0, 0, 0, 4.0), 4.0),
        (lambda rig: rig.command_int(22, RELATIVE, (0, 0, 0, NAN), 0, 0, 5.0), 5.0),
        (lambda rig: rig.command_int(22, 0, (0, 0, 0, NAN), 0, 0, 9.0), 6.0),
        (lambda rig: rig.command(24, 0, 0, 0, 0, 0, 0, -7.0), 7.0),
    ],
    ids=["above the ground", "above home", "above the sea", "local"],
)
def test_take_off_heights(send: Callable[[Rig], int], height_m: float) -> None:
    """Above the ground in a COMMAND_LONG, by the frame in a COMMAND_INT, down in the local form."""
    rig = Rig()
    rig.command(400, 1)
    assert send(rig) == ACCEPTED
    rig.run(12)
    assert rig.place[2] == pytest.approx(height_m, abs=0.05)


@pytest.mark.parametrize(
    ("number", "params", "result"),
    [
        (22, (0, 0, 0, 0, 0, 0, 900), DENIED),
        (22, (0, 0, 0, 0, 0, 0, 5), NOT_NOW),
        (115, (90, 10, 0, 0), NOT_NOW),
        (176, (0, 4302), DENIED),
        (176, (1, 4), DENIED),
        (176, (1, NAN), DENIED),
        (512, (77,), DENIED),
        (512, (NAN,), DENIED),
        (511, (30, -5), DENIED),
        (511, (0, -1), DENIED),
        (300, (), NOT_NOW),
        (224, (3,), DENIED),
        (31_000, (), UNSUPPORTED),
    ],
    ids=[
        "take-off too high", "take-off disarmed", "turn on the ground", "mode without the custom flag",
        "another vehicle's mode", "mode nan", "request of an unknown message", "request nan",
        "interval -5", "heartbeat off", "mission start disarmed", "mission item of none", "unknown",
    ],
)  # fmt: skip
def test_results_of_refused_commands(number: int, params: tuple[float, ...], result: int) -> None:
    """Not now, never, or not known."""
    assert Rig().command(number, *params) == result


@pytest.mark.parametrize("number", [21, 22, 24, 192, 179], ids=["land", "take-off", "local", "place", "home"])
def test_frames_of_places_that_are_not_supported(number: int) -> None:
    """MAV_RESULT 9, which pymavlink's enumeration does not have."""
    assert flying().command_int(number, 10, (0, 0, 0, 0), 1, 1, 5.0) == WRONG_FRAME


@pytest.mark.parametrize(
    ("number", "name"),
    [
        (148, "AUTOPILOT_VERSION"),
        (242, "HOME_POSITION"),
        (49, "GPS_GLOBAL_ORIGIN"),
        (30, "ATTITUDE"),
        (42, "MISSION_CURRENT"),
        (436, "CURRENT_MODE"),
    ],
)
def test_a_message_on_request_comes_after_its_acknowledgement(number: int, name: str) -> None:
    """So that a script that waits for one and then for the other finds both."""
    rig = Rig()
    rig.run(0.1)
    reply = rig.ask(mav.MAVLink_command_long_message(1, 1, 512, 0, number, 0, 0, 0, 0, 0, 0))
    names = [message.get_type() for message in reply]
    assert name in names[names.index("COMMAND_ACK") :]


def test_all_modes_are_listed_on_request() -> None:
    """AVAILABLE_MODES: each once, index from 1, count in each; or the one of an index."""
    rig = Rig()
    rig.command(512, development.MAVLINK_MSG_ID_AVAILABLE_MODES, 0)
    listed = rig.of_type("AVAILABLE_MODES")
    assert [(mode.number_modes, mode.mode_index) for mode in listed] == [(7, index) for index in range(1, 8)]
    assert [(mode.standard_mode, mode.custom_mode) for mode in listed] == [
        (1, 4301), (0, 4302), (5, 4303), (6, 4304), (7, 4305), (8, 4306), (2, 4307),
    ]  # fmt: skip
    assert rig.command(512, development.MAVLINK_MSG_ID_AVAILABLE_MODES, 8) == DENIED
    rig.command(512, development.MAVLINK_MSG_ID_AVAILABLE_MODES, 5)
    assert rig.of_type("AVAILABLE_MODES")[-1].mode_name == "land"


def test_before_there_is_a_position_home_cannot_be_had() -> None:
    """Not now, rather than a place that is none."""
    rig = Rig()
    rig.core.estimate.position_valid = False
    assert rig.command(512, 242) == NOT_NOW
    assert rig.command(410) == NOT_NOW

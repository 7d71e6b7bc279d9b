"""The orbit mode, pausing and going on, and sticks."""

from __future__ import annotations

import math

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.sim.identity import ModeName
from tests.unit.sim.rig import POSITION_ONLY, Rig
from tests.unit.sim.test_mission import PLANE

ACCEPTED, DENIED, NOT_NOW = 0, 2, 1
NAN = math.nan
UNSET = 0x7FFF_FFFF
CENTRE = (12.0, 0.0)


def orbit(rig: Rig, radius_m: float = 6.0, turn_rad: float = 0.0, facing: float = 0) -> int:
    """Orders a circle round CENTRE at 10 m and 1.5 m/s."""
    latitude_deg, longitude_deg, _ = PLANE.to_geodetic(*CENTRE, 0.0)
    place = round(latitude_deg * 1e7), round(longitude_deg * 1e7)
    return rig.command_int(34, 6, (radius_m, 1.5, facing, turn_rad), *place, 10.0)


def circling(radius_m: float = 6.0, facing: float = 0) -> Rig:
    """A craft on the circle."""
    rig = Rig()
    rig.fly_in(ModeName.SET_POINTS)
    assert orbit(rig, radius_m, facing=facing) == ACCEPTED
    rig.run(12.0)
    return rig


def bearing(rig: Rig) -> float:
    """From the centre to the craft."""
    return math.atan2(rig.place[1] - CENTRE[1], rig.place[0] - CENTRE[0])


@pytest.mark.parametrize("radius_m", [6.0, -6.0], ids=["clockwise", "counter-clockwise"])
def test_it_circles_at_the_radius_and_speed_asked_for(radius_m: float) -> None:
    """Seen from above, positive to the right; the nose looks at the centre."""
    rig = circling(radius_m)
    before = bearing(rig)
    rig.run(1.0)
    turned = math.remainder(bearing(rig) - before, math.tau)
    assert turned == pytest.approx(math.copysign(1.5 / 6.0, radius_m), rel=0.05)
    assert math.dist(rig.place[:2], CENTRE) == pytest.approx(6.0, abs=0.3)
    looks = math.remainder(rig.core.estimate.yaw_rad - bearing(rig) - math.pi, math.tau)
    assert abs(looks) < 0.15


def test_it_says_what_it_circles() -> None:
    """ORBIT_EXECUTION_STATUS, twice a second, in this mode alone."""
    rig = circling(-6.0)
    said = rig.of_type("ORBIT_EXECUTION_STATUS")[-1]
    assert (said.radius, said.frame) == (-6.0, mav.MAV_FRAME_GLOBAL)
    rig.select(ModeName.POSITION_HOLD)
    before = len(rig.of_type("ORBIT_EXECUTION_STATUS"))
    rig.run(2.0)
    assert len(rig.of_type("ORBIT_EXECUTION_STATUS")) == before


def test_it_ends_when_it_was_flown_as_often_as_asked_for() -> None:
    """Half a circle, then position hold on the other side."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    orbit(rig, turn_rad=math.pi)
    rig.run_until(lambda: rig.flies(ModeName.POSITION_HOLD))
    assert rig.place[:2] == pytest.approx((18.0, 0.0), abs=0.7)


def test_the_nose_along_the_circle() -> None:
    """Yaw behaviour 3."""
    rig = circling(facing=3)
    along = math.remainder(rig.core.estimate.yaw_rad - bearing(rig) - math.pi / 2, math.tau)
    assert abs(along) < 0.15


@pytest.mark.parametrize(
    ("params", "result"),
    [((0.0, 1, 0, 0), DENIED), ((5, -1, 0, 0), DENIED), ((5, 1, 4, 0), DENIED), ((NAN, NAN, NAN, NAN), ACCEPTED)],
    ids=["radius", "speed", "yaw by sticks", "all its own"],
)  # fmt: skip
def test_what_an_order_may_say(params: tuple[float, ...], result: int) -> None:
    """Parameters that are not given are the vehicle's own."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    assert rig.command_int(34, 6, params, UNSET, UNSET, NAN) == result


def test_on_the_ground_there_is_nothing_to_circle() -> None:
    """Not now."""
    assert orbit(Rig()) == NOT_NOW


def test_entered_by_its_mode_it_circles_what_is_ahead() -> None:
    """The standard mode, with radius and speed of the parameters."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    assert rig.command(262, 2) == ACCEPTED
    assert rig.craft.autopilot.orbit.centre == pytest.approx((10, 0, -10), abs=0.2)


def test_a_pause_stops_and_going_on_finishes() -> None:
    """Circling stops on the spot, in its mode, and goes on with what is left."""
    rig = circling()
    assert rig.command(193, 0) == ACCEPTED
    rig.run(3.0)
    before = rig.place
    rig.run(3.0)
    assert math.dist(rig.place, before) < 0.1
    assert rig.flies(ModeName.ORBIT)
    assert rig.command(193, 1) == ACCEPTED
    rig.run(3.0)
    assert math.dist(rig.place, before) > 2.0


def test_a_reposition_can_be_paused() -> None:
    """The place is kept."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    rig.craft.autopilot.hold.move(rig.craft.autopilot.situation, (20.0, 0.0, -10.0), None)
    rig.run(2.0)
    rig.command(193, 0)
    rig.run(5.0)
    assert rig.place[0] < 15.0
    rig.command(193, 1)
    rig.run(15.0)
    assert rig.place[0] == pytest.approx(20.0, abs=0.1)


def test_set_points_cannot_be_paused() -> None:
    """Who sends them stops sending them."""
    rig = Rig()
    rig.fly_in(ModeName.SET_POINTS)
    assert rig.command(193, 0) == NOT_NOW
    assert rig.command(193, 3) == DENIED


def steer(rig: Rig, x: int = 0, y: int = 0, z: int = 500, r: int = 0, seconds: float = 2.0) -> None:
    """A stick stream at 10 Hz."""
    for _ in range(round(seconds * 10)):
        rig.send(mav.MAVLink_manual_control_message(1, x, y, z, r, 0))
        rig.run(0.1)


def test_sticks_move_the_craft_in_position_hold_and_centred_they_leave_it() -> None:
    """Forward by the nose, at the share of the limit; then it rests."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    rig.craft.autopilot.situation.keep_yaw(math.pi / 2)
    rig.craft.autopilot.hold.move(rig.craft.autopilot.situation, (0.0, 0.0, -10.0), None)
    rig.run(5.0)
    steer(rig, x=500)
    assert rig.core.estimate.velocity_east_m_s == pytest.approx(rig.core.limits.speed_m_s / 2, rel=0.1)
    steer(rig)
    assert math.hypot(rig.core.estimate.velocity_north_m_s, rig.core.estimate.velocity_east_m_s) < 0.1
    assert rig.place[2] == pytest.approx(10.0, abs=0.2)


def test_an_override_of_channels_moves_it_too() -> None:
    """Channel 2 low is forward, 3 high is up; 0 gives a channel back."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    channels = mav.MAVLink_rc_channels_override_message(1, 1, 1500, 1250, 1900, 1500, 0, 0, 0, 0)
    for _ in range(10):
        rig.send(channels)
        rig.run(0.1)
    assert rig.core.estimate.velocity_north_m_s > 1.0
    assert rig.core.estimate.velocity_down_m_s < -0.5
    rig.ask(mav.MAVLink_rc_channels_override_message(1, 1, 0, 0, 0, 0, 0, 0, 0, 0))
    rig.run(3.0)
    assert abs(rig.core.estimate.velocity_north_m_s) < 0.1


def test_an_axis_that_is_not_used_does_nothing() -> None:
    """INT16_MAX."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    steer(rig, x=0x7FFF, y=0x7FFF, z=0x7FFF, r=0x7FFF)
    assert rig.place == pytest.approx((0, 0, 10), abs=0.3)


def test_sticks_off_centre_take_over_from_a_script() -> None:
    """Position hold after three messages; centred ones never do."""
    rig = Rig()
    rig.fly_in(ModeName.SET_POINTS)
    rig.set_point(1, POSITION_ONLY, (30, 0, -10))
    steer(rig, seconds=1.0)
    assert rig.flies(ModeName.SET_POINTS)
    steer(rig, y=600, seconds=0.5)
    assert rig.flies(ModeName.POSITION_HOLD)
    assert "sticks take over" in rig.texts()


def test_off_centre_they_keep_the_craft_from_arming() -> None:
    """A pre-arm check."""
    rig = Rig()
    rig.send(mav.MAVLink_manual_control_message(1, 900, 0, 500, 0, 0))
    assert rig.command(400, 1) == NOT_NOW

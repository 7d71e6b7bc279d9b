"""Whole flights of the core: settle, arm, take off, go, hold, land; the same again bit by bit."""

from __future__ import annotations

from math import dist, hypot, radians

import pytest

from asflown.errors import VehicleProblem
from asflown.record.truth import TRUTH_COLUMNS
from asflown.scenario.model import Conditions, Fault, Home, Start, Wind
from asflown.sim.core import Core
from asflown.sim.interface import STEPS_PER_TICK, CraftSetup, FlightCore, PositionFeed, Target
from asflown.sim.plant import STATE
from tests.unit.sim.flying_core import armed, core, cross_track_m, go_to, here, hovering, land, run

LIGHT = Wind(speed_m_s=2.0, from_rad=radians(240.0), turbulence="light")
GUSTY = Wind(speed_m_s=5.0, from_rad=radians(240.0), turbulence="light")
WEATHER = {"palm80": LIGHT, "field1400": GUSTY}
AIRFRAMES = pytest.mark.parametrize("airframe", ["palm80", "field1400"])


def texts(craft: Core) -> list[str]:
    """What the core had to say."""
    return [text for _, text in craft.events.texts]


def test_it_is_a_flight_core() -> None:
    """The type checker and this line agree that the contract is kept."""
    craft: FlightCore = core()
    assert craft.on_ground
    assert not craft.armed


@pytest.mark.parametrize(("airframe", "release"), [("palm81", "r1"), ("palm80", "r0")])
def test_unknown_names_are_refused(airframe: str, release: str) -> None:
    """An airframe or release that is not there is the vehicle's problem, not a crash."""
    with pytest.raises(VehicleProblem):
        Core(CraftSetup(airframe, release, Start(), Conditions(), 1))


def test_it_refuses_to_arm_until_it_knows_where_it_is() -> None:
    """First sensors settle, then satellites are awaited; within four seconds it is ready."""
    craft = core()
    assert craft.arm() == "sensors are settling: wait"
    run(craft, 1.5)
    assert craft.arm() == "position not known: wait for satellites"
    run(craft, 2.5)
    assert craft.arm() == ""
    assert craft.arm() == ""
    assert texts(craft) == ["GNSS fix", "Position known"]


def test_it_refuses_to_arm_on_an_empty_battery() -> None:
    """Below a tenth of its charge it stays on the ground."""
    craft = core(start=Start(battery=0.05))
    run(craft, 4.0)
    assert craft.arm() == "battery nearly empty: charge it"


@AIRFRAMES
def test_armed_on_the_ground_it_idles_and_stays(airframe: str) -> None:
    """Ten seconds armed in wind without a target that leads up: it does not move, and draws little."""
    craft = armed(airframe, wind=WEATHER[airframe])
    craft.target = Target(0.0, 0.0, 0.0, yaw_rad=2.0)
    run(craft, 10.0)
    assert craft.on_ground
    assert craft.truth_row()[1:4] == pytest.approx((0.0, 0.0, 0.0), abs=0.01)
    assert craft.readings.throttle == pytest.approx(0.12)


@AIRFRAMES
def test_take_off_goes_straight_up(airframe: str) -> None:
    """In wind it climbs to 3 m without leaving its place by more than half a metre, nor overshooting by as much."""
    craft = armed(airframe, wind=WEATHER[airframe])
    start = here(craft)
    craft.target = Target(start[0], start[1], start[2] - 3.0, yaw_rad=craft.estimate.yaw_rad)
    path = []
    run(craft, 8.0, lambda: path.append(here(craft)))
    assert not craft.on_ground
    assert max(dist(point[:2], start[:2]) for point in path) < 0.6
    assert max(start[2] - point[2] for point in path) < 3.5
    assert dist(path[-1], (start[0], start[1], start[2] - 3.0)) < 0.5


@pytest.mark.parametrize(
    ("airframe", "leg_m", "speed_m_s"),
    [("palm80", 8.0, 2.0), ("palm80", 40.0, 3.0), ("field1400", 150.0, 6.0)],
)
def test_a_leg_is_straight_at_speed_and_without_overshoot(
    airframe: str, leg_m: float, speed_m_s: float
) -> None:
    """One far set-point is flown in a straight line at the speed limit, and ends at the point."""
    craft = hovering(airframe, wind=WEATHER[airframe])
    start = here(craft)
    end = (start[0] + 0.8 * leg_m, start[1] - 0.6 * leg_m, start[2])
    speeds: list[float] = []
    path = go_to(craft, end, speed_m_s=speed_m_s)
    run(craft, 4.0, lambda: path.append(here(craft)))
    along = [0.8 * (p[0] - start[0]) - 0.6 * (p[1] - start[1]) for p in path]
    middle = [i for i, metres in enumerate(along) if 0.4 * leg_m < metres < 0.6 * leg_m]
    speeds = [100.0 * (along[middle[-1]] - along[middle[0]]) / (middle[-1] - middle[0])]
    assert cross_track_m(path, start, end) < 0.6
    assert max(along) - leg_m < 0.45
    assert speeds[0] == pytest.approx(speed_m_s, rel=0.15)


@AIRFRAMES
def test_it_lands_where_it_is_and_knows_it(airframe: str) -> None:
    """After landing detector and truth agree, the craft is upright and at rest, and may be disarmed."""
    craft = hovering(airframe, wind=WEATHER[airframe])
    run(craft, 3.0)
    place = here(craft)
    land(craft)
    run(craft, 1.0)
    truth = dict(zip(TRUTH_COLUMNS, craft.truth_row(), strict=True))
    assert truth["on_ground"] == 1.0
    assert dist(here(craft)[:2], place[:2]) < 0.7
    assert max(abs(truth["roll_rad"]), abs(truth["pitch_rad"])) < 0.02
    assert texts(craft)[-2:] == ["Left the ground", "On the ground"]
    craft.disarm()
    run(craft, 1.0)
    assert craft.readings.throttle == 0.0


@pytest.mark.parametrize("seed", [8, 13])
def test_gusts_are_not_taken_for_the_ground(seed: int) -> None:
    """Landing from 6 m in turbulence much too strong for it, the small craft idles its motors on the ground only."""
    rough = Wind(speed_m_s=3.0, from_rad=float(seed), turbulence="moderate")
    craft = hovering(height_m=6.0, wind=rough, seed=seed)
    land(craft)
    assert abs(craft.truth_row()[3]) < 0.05


@AIRFRAMES
def test_velocity_targets_are_flown(airframe: str) -> None:
    """A velocity is taken up within two seconds and kept; zero velocity is a hold."""
    craft = hovering(airframe)
    craft.target = Target(velocity_north_m_s=1.0, velocity_east_m_s=-1.0, velocity_down_m_s=-0.5)
    run(craft, 2.0)
    e = craft.estimate
    assert (e.velocity_north_m_s, e.velocity_east_m_s) == pytest.approx((1.0, -1.0), abs=0.25)
    assert e.velocity_down_m_s == pytest.approx(-0.5, abs=0.25)
    craft.target = Target(velocity_north_m_s=0.0, velocity_east_m_s=0.0, velocity_down_m_s=0.0)
    run(craft, 3.0)
    place = here(craft)
    run(craft, 5.0)
    assert dist(here(craft), place) < 0.4


@AIRFRAMES
def test_heading_targets_are_flown_the_short_way(airframe: str) -> None:
    """From 0 to -3 rad it turns left, to 3 rad on over south; a yaw rate is kept."""
    craft = hovering(airframe)
    place = here(craft)
    for wanted in (-3.0, 3.0):
        craft.target = Target(*place, yaw_rad=wanted)
        run(craft, 5.0)
        assert craft.estimate.yaw_rad == pytest.approx(wanted, abs=0.1)
    craft.target = Target(*place, yaw_rate_rad_s=-0.5)
    run(craft, 4.0)
    assert craft.estimate.yaw_rad == pytest.approx(1.0, abs=0.2)
    assert dist(here(craft), place) < 0.5


def test_position_with_velocity_follows_a_moving_point() -> None:
    """A point that moves at 1.5 m/s, given 10 times a second with its velocity, is followed closely."""
    craft = hovering()
    north, east, down = here(craft)
    for moment in range(400):
        if moment % 10 == 0:
            craft.target = Target(north + 0.015 * moment, east, down, velocity_north_m_s=1.5)
        craft.tick()
    assert here(craft) == pytest.approx((north + 6.0, east, down), abs=0.4)


@pytest.mark.slow
def test_estimate_and_truth_differ_as_outdoors() -> None:
    """Over seeds the horizontal error after a minute is decimetres to about a metre, never nothing."""
    errors = []
    for seed in range(6):
        craft = core("field1400", seed=seed)
        run(craft, 20.0)
        errors.append(hypot(craft.estimate.north_m, craft.estimate.east_m))
    assert max(errors) < 2.5
    assert sum(errors) / len(errors) > 0.1


def test_the_origin_is_the_estimates_own_idea_of_home() -> None:
    """It lies metres or less from the true home, and geodetic readings agree with it."""
    home = Home(latitude_deg=-35.0, longitude_deg=149.0, altitude_m=600.0)
    craft = core(start=Start(home=home))
    run(craft, 4.0)
    e, r = craft.estimate, craft.readings
    assert e.origin_latitude_deg == pytest.approx(-35.0, abs=3e-5)
    assert e.origin_longitude_deg == pytest.approx(149.0, abs=3e-5)
    assert e.origin_altitude_m == pytest.approx(600.0, abs=4.0)
    assert r.gnss_latitude_deg == pytest.approx(e.origin_latitude_deg, abs=1e-5)
    assert (e.origin_latitude_deg, e.origin_longitude_deg) != (-35.0, 149.0)


def bytes_of(seed: int) -> bytes:
    """State and estimate of a short gusty flight."""
    craft = hovering(wind=LIGHT, seed=seed)
    return craft.drain_state() + repr(here(craft)).encode()


def test_equal_seeds_give_equal_bytes() -> None:
    """Two cores of the same setup fly the same flight bit by bit; another seed flies another."""
    first = bytes_of(5)
    assert first == bytes_of(5)
    assert first != bytes_of(6)


def test_a_tick_is_ten_milliseconds_of_plant() -> None:
    """Each tick leaves four states, and truth counts the time."""
    craft = core()
    run(craft, 0.5)
    assert len(craft.drain_state()) == 50 * STEPS_PER_TICK * STATE.size
    assert craft.truth_row()[0] == pytest.approx(0.5)
    assert len(craft.truth_row()) == len(TRUTH_COLUMNS)


def test_a_hard_fall_is_told() -> None:
    """Motors stopped at 12 m: the craft is smashed, says so, and lies finite on the ground."""
    craft = hovering(height_m=12.0)
    craft.target = Target(velocity_north_m_s=3.0, velocity_east_m_s=0.0, velocity_down_m_s=0.0)
    run(craft, 0.4)
    craft.disarm()
    run(craft, 8.0)
    assert "Crashed" in texts(craft)
    assert craft.truth_row()[14] == 1.0


@pytest.mark.slow
def test_it_flies_indoors_by_a_position_from_outside() -> None:
    """Never a satellite, but a position ten times a second: it arms, takes off, goes to a point and holds it."""
    craft = core(faults=(Fault(at_s=0.0, inject="gnss-loss"),))

    def feed() -> None:
        truth = craft.truth_row()
        if round(truth[0] * 100) % 10 == 0:
            north_m, east_m, down_m = truth[1:4]
            craft.take_position(PositionFeed(north_m, east_m, down_m, deviation_m=0.02))

    run(craft, 4.0, feed)
    assert craft.arm() == ""
    craft.target = Target(2.0, -1.0, -1.5, yaw_rad=0.0)
    run(craft, 12.0, feed)
    assert craft.truth_row()[1:4] == pytest.approx((2.0, -1.0, -1.5), abs=0.15)
    assert craft.estimate.position_valid
    assert not craft.estimate.origin_known

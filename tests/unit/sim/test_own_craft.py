"""Tests of one craft that differs from its airframe's design."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.scenario.model import Conditions, CraftShares, Offset, Start
from asflown.sim.airframe import AIRFRAMES, PALM80, Airframe
from asflown.sim.core import Core
from asflown.sim.interface import CraftSetup
from asflown.sim.own_craft import alter, with_sensors_of
from asflown.sim.plant import Plant


@pytest.mark.parametrize("share", [0.8, 1.3])
@pytest.mark.parametrize("airframe", AIRFRAMES.values(), ids=str)
def test_mass_is_the_designs_times_the_share(airframe: Airframe, share: float) -> None:
    """What JSBSim integrates with is the altered mass; moments of inertia stay."""
    plant = Plant(airframe.name, Start(), airframe.rest_height_m)
    mass, inertia = plant.mass_kg(), plant.inertia_kg_m2()
    alter(plant, CraftShares(mass=share))
    plant.step((0.0, 0.0, 0.0, 0.0))
    plant.step((0.0, 0.0, 0.0, 0.0))
    assert plant.mass_kg() == pytest.approx(share * mass)
    assert plant.inertia_kg_m2() == pytest.approx(inertia)


def test_thrust_and_drag_are_scaled() -> None:
    """Each number of the airframe is its own times its share."""
    design, plant = (Plant("palm80", Start(), PALM80.rest_height_m) for _ in range(2))
    alter(plant, CraftShares(thrust=0.9, drag=2.0))
    shares = {
        "rotor/thrust-n-s2": 0.9,
        "rotor/side-drag-n-s2-per-m": 2.0,
        "craft/drag-area-horizontal-m2": 2.0,
        "craft/drag-area-vertical-m2": 2.0,
        "rotor/inflow-n-s2-per-m": 1.0,
    }
    assert {name: plant.read(name) / design.read(name) for name in shares} == pytest.approx(shares)


def test_the_design_is_left_as_it_is() -> None:
    """Shares of 1 change no bit."""
    plain, same = (
        Core(CraftSetup("palm80", "r1", Start(), Conditions(craft=shares), 3))
        for shares in (CraftShares(), CraftShares(mass=1.0, thrust=1.0))
    )
    for _ in range(20):
        plain.tick()
        same.tick()
    assert plain.drain_state() == same.drain_state()


@given(share=st.floats(0.0, 5.0))
def test_errors_of_sensors_scale_and_nothing_else(share: float) -> None:
    """Noise, bias and drift follow the share; rates, delays and ranges stay."""
    found = with_sensors_of(PALM80, CraftShares(sensor_errors=share))
    assert found.imu.rate_noise_rad_s == pytest.approx(share * PALM80.imu.rate_noise_rad_s)
    assert found.gnss.horizontal_m == pytest.approx(share * PALM80.gnss.horizontal_m)
    assert found.barometer.drift_pa == pytest.approx(share * PALM80.barometer.drift_pa)
    assert found.compass.offset_gauss == pytest.approx(share * PALM80.compass.offset_gauss)
    assert found.rangefinder.noise_m == pytest.approx(share * PALM80.rangefinder.noise_m)
    kept = ("period_ticks", "delay_ticks", "time_constant_s", "velocity_time_constant_s", "satellites")
    assert [getattr(found.gnss, name) for name in kept] == [getattr(PALM80.gnss, name) for name in kept]
    assert (found.rangefinder.least_m, found.rangefinder.most_m) == (0.05, 4.0)
    assert found.battery == PALM80.battery


@given(a=st.floats(0.7, 1.4), b=st.floats(0.7, 1.4))
def test_a_vehicles_share_and_the_days_multiply(a: float, b: float) -> None:
    """In either order, and however large they become."""
    one, other = CraftShares(mass=a, thrust=b), CraftShares(mass=b, drag=a)
    assert one.times(other) == other.times(one)
    assert one.times(other).mass == pytest.approx(a * b)
    assert one.times(CraftShares()) == one


@given(north_m=st.floats(-900, 900), east_m=st.floats(-900, 900))
def test_an_offset_is_where_the_craft_stands(north_m: float, east_m: float) -> None:
    """Places on earth and metres from home agree; home itself is given back to the last bit."""
    start = Start(offset=Offset(north_m=north_m, east_m=east_m))
    latitude_deg, longitude_deg, altitude_m = start.stands_at()
    assert (latitude_deg - 52.0) * 111_267 == pytest.approx(north_m, abs=0.2 + 2e-4 * abs(north_m))
    assert (longitude_deg - 4.5) * 68_678 == pytest.approx(east_m, abs=0.2 + 2e-4 * abs(east_m))
    assert altitude_m == start.home.altitude_m
    assert Start().stands_at() == (52.0, 4.5, 0.0)


def test_truth_counts_from_home_and_not_from_where_it_stands() -> None:
    """A craft that stands beside home begins there in its truth, too."""
    plant = Plant("palm80", Start(offset=Offset(north_m=3.0, east_m=-4.0)), PALM80.rest_height_m)
    assert plant.position_ned_m() == pytest.approx((3.0, -4.0, 0.0), abs=1e-3)

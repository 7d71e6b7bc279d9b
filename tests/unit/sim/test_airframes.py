"""The airframes' XML against the derivation sheet beside it."""

from __future__ import annotations

from math import pi, sqrt

import pytest

from asflown.errors import VehicleProblem
from asflown.scenario.model import Start
from asflown.sim.airframe import AIRFRAMES, airframe_named
from asflown.sim.controller.craft import Craft, craft_of
from asflown.sim.plant import Plant

GRAVITY_M_S2, DENSITY_KG_M3 = 9.81, 1.225


@pytest.fixture(params=list(AIRFRAMES))
def plant(request: pytest.FixtureRequest) -> Plant:
    """Each airframe's plant at rest."""
    airframe = airframe_named(request.param)
    return Plant(airframe.name, Start(), airframe.rest_height_m)


@pytest.fixture
def craft(plant: Plant) -> Craft:
    """What the controller knows of it."""
    return craft_of(plant)


def hover_speed_rad_s(plant: Plant) -> float:
    """Rotor speed at which thrust equals weight."""
    return sqrt(plant.mass_kg() * GRAVITY_M_S2 / 4.0 / plant.read("rotor/thrust-n-s2"))


def test_full_thrust_lifts_more_than_twice_the_weight(craft: Craft) -> None:
    """Full speed gives 2.6 and 2.4 times the weight."""
    share = 4.0 * craft.full_thrust_n / (craft.mass_kg * GRAVITY_M_S2)
    assert share == pytest.approx(2.6 if craft.mass_kg < 1.0 else 2.4, rel=0.01)


def test_torque_follows_from_the_figure_of_merit(plant: Plant) -> None:
    """Shaft power in hover is the ideal one over 0.50 and 0.65."""
    speed, weight_n = hover_speed_rad_s(plant), plant.mass_kg() * GRAVITY_M_S2
    area_m2 = 4.0 * pi * plant.read("rotor/radius-m") ** 2
    ideal_w = weight_n * sqrt(weight_n / (2.0 * DENSITY_KG_M3 * area_m2))
    shaft_w = 4.0 * plant.read("rotor/torque-nm-s2") * speed**3
    assert ideal_w / shaft_w == pytest.approx(0.50 if weight_n < 1.0 else 0.65, rel=0.01)


def test_thrust_factor_is_a_usual_coefficient(plant: Plant) -> None:
    """The thrust factor is a coefficient of 0.12 (ducted) and 0.11 (open) on the rotor's diameter."""
    diameter_m = 2.0 * plant.read("rotor/radius-m")
    coefficient = plant.read("rotor/thrust-n-s2") * (2.0 * pi) ** 2 / (DENSITY_KG_M3 * diameter_m**4)
    assert coefficient == pytest.approx(0.12 if plant.mass_kg() < 1.0 else 0.11, rel=0.01)


def test_inflow_factor_follows_from_blade_element_theory(plant: Plant) -> None:
    """Lost thrust for each metre per second of climb is what the sheet's formula gives."""
    speed, radius_m = hover_speed_rad_s(plant), plant.read("rotor/radius-m")
    area_m2, tip_m_s = pi * radius_m**2, speed * radius_m
    induced_m_s = sqrt(plant.mass_kg() * GRAVITY_M_S2 / (8.0 * DENSITY_KG_M3 * area_m2))
    lift_slope = 1.2 if plant.mass_kg() < 1.0 else 0.57
    lost = DENSITY_KG_M3 * area_m2 * tip_m_s * lift_slope / 8.0
    lost /= 1.0 + lift_slope * tip_m_s / (16.0 * induced_m_s)
    assert plant.read("rotor/inflow-n-s2-per-m") == pytest.approx(lost / speed, rel=0.01)


def test_endurance_follows_from_power_and_energy(plant: Plant) -> None:
    """Hovering at the pack's mean voltage empties it in about three and about eighteen minutes."""
    speed, small = hover_speed_rad_s(plant), plant.mass_kg() < 1.0
    shaft_w = 4.0 * plant.read("rotor/torque-nm-s2") * speed**3
    power_w = shaft_w / plant.read("rotor/efficiency") + plant.read("battery/avionics-w")
    sheet = AIRFRAMES["palm80" if small else "field1400"].battery
    minutes = sheet.cells * 3.75 * sheet.capacity_ah / power_w * 60.0
    assert minutes == pytest.approx(3.3 if small else 18.5, rel=0.03)


def test_an_unknown_airframe_is_refused_with_the_known_ones() -> None:
    """The message names what there is."""
    with pytest.raises(VehicleProblem) as problem:
        airframe_named("palm81")
    assert str(problem.value) == "There is no airframe 'palm81'. Use one of: palm80, field1400."

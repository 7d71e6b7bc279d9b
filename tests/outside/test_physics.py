"""The plant's rotors, drag, wind and battery against theory.

Sources, by the ids of the project's list of outside checks: actuator disc momentum theory (OC-PHY-11 to -14), the
closed form of a fall with quadratic drag (OC-PHY-15), MIL-F-8785C's low-altitude turbulence (OC-PHY-16 to -19),
plane mechanics (OC-PHY-22), the definitions of charge and resistance (OC-PHY-23), and how long craft of this size fly
(OC-FIELD-01, common practice).
"""

from __future__ import annotations

from math import atan2, degrees, hypot, pi, sqrt
from statistics import fmean

import numpy as np
import pytest
from scipy.integrate import quad

from asflown.scenario.model import Home, Start, Wind
from asflown.sim.airframe import AIRFRAMES, PALM80
from asflown.sim.atmosphere import STANDARD_GRAVITY_M_S2
from asflown.sim.battery import ChargeCount
from asflown.sim.controller.position import PositionLoop
from asflown.sim.controller.reference import Reference
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.interface import Limits
from asflown.sim.plant import FOOT_M, Plant
from asflown.sim.releases import RELEASES
from asflown.sim.seeds import generator
from asflown.sim.sheet import figures
from asflown.sim.weather import Weather, intensities_m_s, length_scales_m
from tests.unit.sim.flying_core import hovering, run

DENSITY = 1.225


def ideal_hover(mass_kg: float, area_m2: float, density: float = DENSITY) -> tuple[float, float]:
    """Induced speed and power of an ideal rotor, by momentum theory."""
    induced = sqrt(mass_kg * STANDARD_GRAVITY_M_S2 / (2.0 * density * area_m2))
    return induced, mass_kg * STANDARD_GRAVITY_M_S2 * induced


def hover_shaft_power_w(airframe: str, altitude_m: float = 0.0) -> float:
    """Mean shaft power of five seconds of hover in calm air."""
    craft = hovering(airframe, start=Start(home=Home(latitude_deg=45.0, altitude_m=altitude_m)))
    powers: list[float] = []
    run(craft, 5.0, lambda: powers.append(craft._plant.read("rotor/shaft-power-w")))
    return fmean(powers)


@pytest.mark.parametrize(
    ("mass_kg", "area_m2", "induced_m_s", "power_w"),
    [
        pytest.param(1.0, 1.0, 2.000_68, 19.620, id="OC-PHY-11"),
        pytest.param(0.077, pi * 0.065**2, 4.819, 3.639, id="OC-PHY-12"),
        pytest.param(1.4, pi * 0.254**2, 5.258, 72.19, id="OC-PHY-13"),
    ],
)
def test_ideal_hover(mass_kg: float, area_m2: float, induced_m_s: float, power_w: float) -> None:
    """OC-PHY-11 to -13: the theory that the plant is held against gives the published figures."""
    induced, power = ideal_hover(mass_kg, area_m2)
    assert induced == pytest.approx(induced_m_s, abs=1e-3)
    assert power == pytest.approx(power_w, abs=1e-2)


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_hovering_takes_more_than_ideal_power(airframe: str) -> None:
    """OC-PHY-12, OC-PHY-13: the flown craft's rotors take twice the ideal power or less, and never less than that."""
    plant = Plant(airframe, Start(), rest_height_m=AIRFRAMES[airframe].rest_height_m)
    _, ideal_w = ideal_hover(plant.mass_kg(), 4.0 * pi * plant.read("rotor/radius-m") ** 2)
    merit = ideal_w / hover_shaft_power_w(airframe)
    assert 0.45 < merit < 0.75


def test_hover_power_grows_as_the_air_thins() -> None:
    """OC-PHY-14: power goes with density to the power -1/2, so 1000 m of height cost 4.975 %."""
    ratio = hover_shaft_power_w("field1400", 1000.0) / hover_shaft_power_w("field1400")
    assert ratio == pytest.approx(1.04975, abs=2e-3)


def test_fall_with_quadratic_drag() -> None:
    """OC-PHY-15: a craft of 12.5 kg/m2 of drag area, dropped, has fallen 4.55459 m at 8.48864 m/s after 1 s.

    Latitude 45.5 degrees has standard gravity. The craft is 80 g with a sixth of the row's drag area.
    """
    home = Home(latitude_deg=45.5, longitude_deg=0.0)
    plant = Plant("palm80", Start(home=home), rest_height_m=PALM80.rest_height_m)
    plant.write("craft/drag-area-vertical-m2", plant.mass_kg() * 0.04 / 0.5)
    plant.write("ic/h-agl-ft", 40.0 / FOOT_M)
    plant._fdm.run_ic()
    start_m = plant.height_m()
    for _ in range(400):
        plant.step((0.0, 0.0, 0.0, 0.0))
    assert plant.velocity_ned_m_s()[2] == pytest.approx(8.48864, rel=4e-3)
    assert start_m - plant.height_m() == pytest.approx(4.55459, rel=8e-3)


@pytest.mark.parametrize(
    ("height_ft", "along_ft"), [(20, 143.59), (100, 505.17), (500, 944.66), (1000, 1000.00)]
)
def test_turbulence_length_scales(height_ft: float, along_ft: float) -> None:
    """OC-PHY-16: length scales of the low-altitude model; at 1000 ft all meet."""
    along_m, upwards_m = length_scales_m(height_ft * FOOT_M)
    assert along_m / FOOT_M == pytest.approx(along_ft, abs=0.01)
    assert upwards_m / FOOT_M == pytest.approx(height_ft, abs=0.01)


@pytest.mark.parametrize(
    ("turbulence", "sigma_w_m_s"), [("light", 0.7717), ("moderate", 1.5433), ("severe", 2.3150)]
)
@pytest.mark.parametrize(
    ("height_m", "ratio"),
    [(20 * FOOT_M, 1.92914), (10.0, 1.88863), (100 * FOOT_M, 1.71585), (1000 * FOOT_M, 1.0)],
)
def test_turbulence_intensities(turbulence: str, sigma_w_m_s: float, height_m: float, ratio: float) -> None:
    """OC-PHY-17: a tenth of the wind at 20 ft upwards, and more than that along the wind near the ground."""
    sigma_u, sigma_w = intensities_m_s(height_m, turbulence)
    assert sigma_w == pytest.approx(sigma_w_m_s, abs=1e-4)
    assert sigma_u / sigma_w == pytest.approx(ratio, abs=1e-4)


def test_turbulence_at_ten_metres() -> None:
    """OC-PHY-18: the model's figures in SI for moderate turbulence."""
    assert length_scales_m(10.0) == pytest.approx((67.366, 10.0), abs=1e-3)
    assert intensities_m_s(10.0, "moderate") == pytest.approx((2.9148, 1.5433), abs=1e-4)


def test_turbulence_has_the_stated_variance() -> None:
    """OC-PHY-19: a long generated series has the spectra's variances, within its sampling error."""
    weather = Weather(Wind(turbulence="moderate"), generator(1, "turbulence"), period_s=0.02)
    series = np.array([weather.step(10.0, 15.0) for _ in range(150_000)])
    assert series.std(axis=0) == pytest.approx([2.9148, 2.9148, 1.5433], rel=0.08)


def test_vertical_turbulence_has_the_stated_spectrum() -> None:
    """OC-PHY-19: the share of variance in wavelengths shorter than the length scale is that of the Dryden spectrum."""
    speed, length, period = 15.0, 10.0, 0.02

    def density(x: float) -> float:
        return (1.0 + 3.0 * x * x) / (1.0 + x * x) ** 2 / pi

    weather = Weather(Wind(turbulence="moderate"), generator(2, "turbulence"), period_s=period)
    down = np.array([weather.step(length, speed)[2] for _ in range(2**17)])
    power = np.abs(np.fft.rfft(down)) ** 2
    wave_number = 2.0 * pi * np.fft.rfftfreq(len(down), period) / speed * length
    measured = power[(wave_number > 1.0) & (wave_number < 8.0)].sum() / power[wave_number < 8.0].sum()
    expected = quad(density, 1.0, 8.0)[0] / quad(density, 0.0, 8.0)[0]
    assert measured == pytest.approx(expected, abs=0.035)


@pytest.mark.parametrize(
    ("acceleration_m_s2", "tilt_deg"),
    [(2.0, 11.527), (2.0**2 / 3.0, 7.743)],
    ids=["straight", "2 m/s round 3 m"],
)
def test_tilt_for_an_acceleration(acceleration_m_s2: float, tilt_deg: float) -> None:
    """OC-PHY-22: the controller tilts its thrust by the arc tangent of a over g, when nothing is to be corrected."""
    loop = PositionLoop(RELEASES["r1"].tunings["palm80"], Strapdown(STANDARD_GRAVITY_M_S2))
    reference = Reference(braking=0.6, jerk_m_s3=10.0, response_s=0.2)
    reference.acceleration = (acceleration_m_s2 * 0.6, acceleration_m_s2 * 0.8, 0.0)
    loop.step(reference, Limits(), most_m_s2=20.0, level_only=False)
    north, east, down = loop.force
    assert degrees(atan2(hypot(north, east), -down)) == pytest.approx(tilt_deg, abs=1e-3)


def test_coulomb_count() -> None:
    """OC-PHY-23: 250 mAh at a steady 5 A last 180 s."""
    count = ChargeCount(capacity_ah=0.25, remaining=1.0)
    for _ in range(17_999):
        count.draw(5.0, 0.01)
    assert count.remaining > 0.0
    count.draw(5.0, 0.02)
    assert count.remaining == pytest.approx(0.0, abs=1e-4)
    assert count.remaining < 0.0


def test_battery_sag() -> None:
    """OC-PHY-23: 4.2 V behind 30 milliohm sag to 4.05 V at 5 A, in the plant."""
    plant = Plant("palm80", Start(), rest_height_m=PALM80.rest_height_m)
    low, high = 0.5, 0.9
    for _ in range(20):
        command = 0.5 * (low + high)
        for _ in range(100):
            plant.step((command, command, command, command))
        low, high = (command, high) if plant.current_a() < 5.0 else (low, command)
    assert plant.current_a() == pytest.approx(5.0, abs=0.02)
    assert plant.state[19] - 0.030 * (5.0 - plant.current_a()) == pytest.approx(4.05, abs=1e-4)


@pytest.mark.slow
def test_the_palm_sized_craft_hovers_for_about_three_minutes() -> None:
    """OC-FIELD-01: from a full battery to an empty one; its energy is well above what an ideal rotor would need."""
    assert PALM80.battery.capacity_ah * 3.7 > 2.0 * 0.182
    craft = hovering("palm80")
    seconds = 13.0
    while craft._battery.remaining > 0.0 and seconds < 400.0:
        run(craft, 1.0)
        seconds += 1.0
    assert 165.0 < seconds < 215.0


@pytest.mark.parametrize(
    ("airframe", "induced_m_s", "least_min", "most_min"),
    [
        pytest.param("palm80", ideal_hover(0.080, pi * 0.065**2)[0], 2.7, 3.6, id="OC-PHY-12"),
        pytest.param("field1400", 5.258, 16.0, 20.0, id="OC-PHY-13"),
    ],
)
def test_the_derived_table(airframe: str, induced_m_s: float, least_min: float, most_min: float) -> None:
    """OC-PHY-12, -13, OC-FIELD-01: induced speed by momentum theory, and endurance as craft of this size have it."""
    found = {figure.name: figure.value for figure in figures(AIRFRAMES[airframe])}
    assert found["induced speed in hover"] == pytest.approx(induced_m_s, abs=2e-3)
    assert least_min < found["endurance in hover"] < most_min


def test_the_ground_effect_formula() -> None:
    """At one radius over the ground a hovering rotor's thrust grows by a fifteenth: 1 / (1 - 1/16) (from memory)."""
    plant = Plant("field1400", Start(), AIRFRAMES["field1400"].rest_height_m)
    plant._feel_ground(0.127 - 0.03)
    assert plant.read("rotor/ground-effect") == pytest.approx(16.0 / 15.0, abs=1e-4)

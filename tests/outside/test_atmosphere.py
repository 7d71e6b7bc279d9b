"""Air and gravity, of the vehicle's computer and of the plant, against published standards.

Sources, by the ids of the project's list of outside checks: ICAO Doc 7488/3, Manual of the ICAO Standard Atmosphere
(OC-PHY-01 to -09), and NGA.STND.0036, World Geodetic System 1984 (OC-PHY-10). The package `ambiance`, which
implements the same manual on its own, runs beside them.
"""

from __future__ import annotations

import ambiance
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.scenario.model import Home, Start
from asflown.sim import atmosphere
from asflown.sim.plant import FOOT_M, Plant

EARTH_RADIUS_M = 6_356_766.0
"""The manual's radius, which makes geopotential heights of geometric ones."""

TABLE = [
    pytest.param(0.0, 288.15, 101_325.0, 1.22500, 340.294, id="OC-PHY-01"),
    pytest.param(500.0, 284.900, 95_460.8, 1.16727, 338.370, id="OC-PHY-02"),
    pytest.param(1000.0, 281.650, 89_874.6, 1.11164, 336.434, id="OC-PHY-03"),
    pytest.param(5000.0, 255.650, 54_019.9, 0.73612, 320.529, id="OC-PHY-04"),
    pytest.param(11_000.0, 216.650, 22_632.0, 0.36392, 295.069, id="OC-PHY-05"),
]


def plant_at(altitude_m: float, latitude_deg: float = 45.0) -> Plant:
    """A plant at rest on ground that is this high above sea level, its centre 25 mm higher."""
    home = Home(latitude_deg=latitude_deg, longitude_deg=0.0, altitude_m=altitude_m - 0.025)
    return Plant("palm80", Start(home=home), rest_height_m=0.025)


@pytest.mark.parametrize(("height_m", "temperature_k", "pressure_pa", "density", "sound_m_s"), TABLE)
def test_computed_atmosphere(
    height_m: float, temperature_k: float, pressure_pa: float, density: float, sound_m_s: float
) -> None:
    """OC-PHY-01 to -05: temperature, pressure and density by geopotential height, as tabulated."""
    pressure, temperature = atmosphere.pressure_pa(height_m), atmosphere.temperature_k(height_m)
    assert temperature == pytest.approx(temperature_k, abs=1e-9)
    assert pressure == pytest.approx(pressure_pa, abs=0.1)
    assert atmosphere.density_kg_m3(pressure, temperature) == pytest.approx(density, abs=1e-5)


@pytest.mark.parametrize(("height_m", "temperature_k", "pressure_pa", "density", "sound_m_s"), TABLE)
def test_the_plants_atmosphere(
    height_m: float, temperature_k: float, pressure_pa: float, density: float, sound_m_s: float
) -> None:
    """OC-PHY-01 to -05: the air that the plant flies in is the standard's, at the geometric height that belongs to it.

    The plant rounds its constants: 4 parts in 100,000 at most.
    """
    plant = plant_at(EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M - height_m))
    assert plant.temperature_k() == pytest.approx(temperature_k, rel=4e-5)
    assert plant.pressure_pa() == pytest.approx(pressure_pa, rel=4e-5)
    assert plant.read("air/density-ratio") * 1.225 == pytest.approx(density, rel=4e-5)
    assert plant.read("atmosphere/a-fps") * FOOT_M == pytest.approx(sound_m_s, rel=4e-5)


@pytest.mark.parametrize(
    ("altitude_m", "temperature_k", "pressure_pa"),
    [(5000.0, 255.676, 54_048.3), (11_000.0, 216.774, 22_699.9)],
    ids=["5000 m", "11000 m"],
)
def test_geometric_is_not_geopotential_height(
    altitude_m: float, temperature_k: float, pressure_pa: float
) -> None:
    """OC-PHY-06: the plant's altitude is geometric, so its air is a little denser than at that geopotential height."""
    plant = plant_at(altitude_m)
    assert plant.temperature_k() == pytest.approx(temperature_k, abs=0.01)
    assert plant.pressure_pa() == pytest.approx(pressure_pa, rel=4e-5)


def test_constants() -> None:
    """OC-PHY-07: the exponent of pressure over temperature follows from the standard's constants."""
    assert pytest.approx(5.255_880, abs=1e-6) == atmosphere.EXPONENT


@pytest.mark.parametrize(("pressure_pa", "height_m"), [(100_000.0, 110.88), (95_000.0, 540.34)])
def test_pressure_to_height(pressure_pa: float, height_m: float) -> None:
    """OC-PHY-08: the barometric formula at two pressures."""
    assert atmosphere.pressure_height_m(pressure_pa) == pytest.approx(height_m, abs=0.01)


def test_barometer_slope_near_the_ground() -> None:
    """OC-PHY-09: the first metre above sea level takes 12.01 Pa, in the computer and in the plant."""
    assert atmosphere.pressure_pa(1.0) - atmosphere.pressure_pa(0.0) == pytest.approx(-12.01, abs=0.01)
    assert plant_at(1.0).pressure_pa() - plant_at(0.0).pressure_pa() == pytest.approx(-12.01, abs=0.01)


@pytest.mark.parametrize(
    ("latitude_deg", "gravity_m_s2"),
    [(0.0, 9.780_325_34), (45.0, 9.806_197_77), (90.0, 9.832_184_94), (52.0, 9.812_474_08)],
    ids=["equator", "45 deg", "pole", "52 deg"],
)
def test_normal_gravity(latitude_deg: float, gravity_m_s2: float) -> None:
    """OC-PHY-10: gravity on the ellipsoid by Somigliana's formula."""
    assert atmosphere.normal_gravity_m_s2(latitude_deg) == pytest.approx(gravity_m_s2, abs=1e-8)


@pytest.mark.parametrize(
    ("latitude_deg", "gravity_m_s2"),
    [(0.0, 9.780_325_34), (45.0, 9.806_197_77), (52.0, 9.812_474_08)],
    ids=["equator", "45 deg", "52 deg"],
)
def test_a_craft_at_rest_weighs_what_the_standard_says(latitude_deg: float, gravity_m_s2: float) -> None:
    """OC-PHY-10: the plant's accelerometer at rest shows normal gravity, whose field it computes another way."""
    plant = plant_at(0.0, latitude_deg)
    assert -plant.state[14] * FOOT_M == pytest.approx(gravity_m_s2, abs=5e-4)


@given(height_m=st.floats(-1000.0, 11_000.0))
def test_pressure_agrees_with_an_independent_implementation(height_m: float) -> None:
    """In the whole troposphere the air is that of `ambiance`, and pressure gives the height back."""
    theirs = ambiance.Atmosphere(ambiance.CONST.r * height_m / (ambiance.CONST.r - height_m))
    assert atmosphere.pressure_pa(height_m) == pytest.approx(float(theirs.pressure[0]), rel=1e-6)
    assert atmosphere.temperature_k(height_m) == pytest.approx(float(theirs.temperature[0]), rel=1e-9)
    assert atmosphere.pressure_height_m(atmosphere.pressure_pa(height_m)) == pytest.approx(height_m, abs=1e-6)

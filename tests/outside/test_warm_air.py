"""The air of a warm or a low day against the gas law and the standard atmosphere's constants.

Source: ISO 2533:1975, Standard Atmosphere: T0 = 288.15 K, p0 = 101 325 Pa, R = 287.05287 J/(kg K); density is
p / (R T). The constants are from memory.
"""

from __future__ import annotations

import pytest

from asflown.scenario.model import Air, Home, Start
from asflown.sim.airframe import AIRFRAMES
from asflown.sim.plant import Plant

GAS_CONSTANT_J_KG_K, STANDARD_K, STANDARD_PA = 287.05287, 288.15, 101_325.0
SLUG_FT3_KG_M3 = 515.378_819


AIRS = {
    "standard": Air(),
    "warm": Air(warmer_k=20.0),
    "cold": Air(warmer_k=-25.0),
    "low": Air(sea_level_pressure_pa=98_000.0),
    "warm-high": Air(warmer_k=15.0, sea_level_pressure_pa=103_000.0),
}


@pytest.mark.parametrize("air", AIRS.values(), ids=AIRS)
def test_density_follows_the_gas_law(air: Air) -> None:
    """Temperature, pressure and density at sea level."""
    plant = Plant("palm80", Start(home=Home(altitude_m=0.0)), AIRFRAMES["palm80"].rest_height_m, air)
    density = plant.read("atmosphere/rho-slugs_ft3") * SLUG_FT3_KG_M3
    temperature_k = STANDARD_K + air.warmer_k
    assert plant.temperature_k() == pytest.approx(temperature_k, abs=0.01)
    assert plant.pressure_pa() == pytest.approx(air.sea_level_pressure_pa, rel=1e-4)
    assert density == pytest.approx(
        air.sea_level_pressure_pa / (GAS_CONSTANT_J_KG_K * temperature_k), rel=3e-4
    )

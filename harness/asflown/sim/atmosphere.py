"""The standard atmosphere and normal gravity as the vehicle's own computer uses them.

Heights are geopotential metres; the formulas hold in the troposphere (up to 11 km).
Sources: ICAO Doc 7488/3, Manual of the ICAO Standard Atmosphere; NGA.STND.0036, World Geodetic System 1984.
"""

from __future__ import annotations

from math import radians, sin, sqrt

STANDARD_GRAVITY_M_S2 = 9.80665
SEA_LEVEL_PRESSURE_PA = 101_325.0
SEA_LEVEL_TEMPERATURE_K = 288.15
LAPSE_K_M = 0.0065
GAS_CONSTANT_J_KG_K = 287.05287
EXPONENT = STANDARD_GRAVITY_M_S2 / (GAS_CONSTANT_J_KG_K * LAPSE_K_M)
"""5.25588: pressure goes with temperature to this power."""
ZERO_CELSIUS_K = 273.15

_EQUATOR_M_S2, _SOMIGLIANA_K, _E2 = 9.7803253359, 0.00193185265241, 0.00669437999014


def temperature_k(height_m: float) -> float:
    """Standard temperature at a geopotential height."""
    return SEA_LEVEL_TEMPERATURE_K - LAPSE_K_M * height_m


def pressure_pa(height_m: float) -> float:
    """Standard pressure at a geopotential height."""
    ratio: float = (temperature_k(height_m) / SEA_LEVEL_TEMPERATURE_K) ** EXPONENT
    return SEA_LEVEL_PRESSURE_PA * ratio


def pressure_height_m(pressure_pa: float) -> float:
    """Geopotential height at which the standard atmosphere has this pressure."""
    ratio: float = (pressure_pa / SEA_LEVEL_PRESSURE_PA) ** (1.0 / EXPONENT)
    return SEA_LEVEL_TEMPERATURE_K / LAPSE_K_M * (1.0 - ratio)


def density_kg_m3(pressure_pa: float, temperature_k: float) -> float:
    """Density of dry air as an ideal gas."""
    return pressure_pa / (GAS_CONSTANT_J_KG_K * temperature_k)


def normal_gravity_m_s2(latitude_deg: float) -> float:
    """Gravity on the WGS-84 ellipsoid (Somigliana's closed formula), centrifugal part included."""
    s2 = sin(radians(latitude_deg)) ** 2
    return _EQUATOR_M_S2 * (1.0 + _SOMIGLIANA_K * s2) / sqrt(1.0 - _E2 * s2)

"""Wind: steady, growing with height, single gusts, and Dryden turbulence for low altitude, in north-east-down.

Source of profile, length scales and intensities: MIL-F-8785C (1980), low-altitude model, valid from 10 to
1000 ft over the ground; lower down the values of 10 ft are kept, and everything fades to calm air at the ground.
A single gust is a full 1 - cosine pulse in time, U/2 (1 - cos 2 pi t/T), the same at all heights but fading at the
ground; the shape is that of CS-25.341 (from memory), whose pulse is in distance flown.
The turbulence is frozen: it is crossed at the craft's airspeed.
"""

from __future__ import annotations

from math import cos, exp, log, pi, sin, sqrt

import numpy as np

from asflown.scenario.model import Gust, Wind
from asflown.sim.noise import Rows

FOOT_M = 0.3048
KNOT_M_S = 1852.0 / 3600.0
W20_M_S = {"none": 0.0, "light": 15 * KNOT_M_S, "moderate": 30 * KNOT_M_S, "severe": 45 * KNOT_M_S}
"""Wind at 20 ft that stands for a class of turbulence."""
ROUGHNESS_FT = 0.15
"""Surface roughness for take-off, approach and landing (category C); from memory."""

_LOWEST_FT, _HIGHEST_FT, _PROFILE_FROM_FT = 10.0, 1000.0, 3.0
_SLOWEST_M_S = 1.0
_ROOT_2, _ROOT_3 = sqrt(2.0), sqrt(3.0)


def length_scales_m(height_m: float) -> tuple[float, float]:
    """Dryden length scales along the wind and across it (L_u = L_v), and upwards (L_w)."""
    height_ft = min(_HIGHEST_FT, max(_LOWEST_FT, height_m / FOOT_M))
    return height_ft / (0.177 + 0.000823 * height_ft) ** 1.2 * FOOT_M, height_ft * FOOT_M


def intensities_m_s(height_m: float, turbulence: str) -> tuple[float, float]:
    """Standard deviations sigma_u = sigma_v and sigma_w for a class of turbulence."""
    height_ft = min(_HIGHEST_FT, max(_LOWEST_FT, height_m / FOOT_M))
    upwards = 0.1 * W20_M_S[turbulence]
    return upwards / (0.177 + 0.000823 * height_ft) ** 0.4, upwards


def profile(height_m: float) -> float:
    """The steady wind as a multiple of the one at 20 ft: logarithmic, linear below 3 ft."""
    height_ft = height_m / FOOT_M
    if height_ft < _PROFILE_FROM_FT:
        return max(0.0, height_ft / _PROFILE_FROM_FT) * log(_PROFILE_FROM_FT / ROUGHNESS_FT) / _LOG_20
    return log(min(_HIGHEST_FT, height_ft) / ROUGHNESS_FT) / _LOG_20


_LOG_20 = log(20.0 / ROUGHNESS_FT)


def _fade(height_m: float) -> float:
    """Calm at the ground, whole from 3 ft up."""
    return min(1.0, max(0.0, height_m / (_PROFILE_FROM_FT * FOOT_M)))


class _Pulse:
    """One gust of the scenario, and where it blows to."""

    __slots__ = ("_begin_s", "_length_s", "_strongest_m_s", "east", "north")

    def __init__(self, gust: Gust, wind_from_rad: float) -> None:
        blows_to = (wind_from_rad if gust.from_rad is None else gust.from_rad) + pi
        self.north, self.east = cos(blows_to), sin(blows_to)
        self._begin_s, self._length_s, self._strongest_m_s = gust.at_s, gust.for_s, gust.speed_m_s

    def speed_m_s(self, time_s: float) -> float:
        """How fast it blows at a flight time."""
        share = (time_s - self._begin_s) / self._length_s
        return 0.5 * self._strongest_m_s * (1.0 - cos(2.0 * pi * share)) if 0.0 < share < 1.0 else 0.0


class Weather:
    """The wind at the craft, stepped at a fixed period. Turbulence axes: along the steady wind, right of it, down."""

    __slots__ = (
        "_across",
        "_across_2",
        "_along",
        "_cos",
        "_down",
        "_down_2",
        "_gusts",
        "_height_ft",
        "_level_m",
        "_noise",
        "_period_s",
        "_sigma_u",
        "_sigma_w",
        "_sin",
        "_time_s",
        "_upright_m",
        "_wind",
    )

    def __init__(self, wind: Wind, generator: np.random.Generator, period_s: float) -> None:
        self._wind, self._period_s = wind, period_s
        self._cos, self._sin = cos(wind.from_rad + pi), sin(wind.from_rad + pi)
        self._noise = Rows(generator, 3)
        self._along, self._across, self._down = self._noise.take()
        self._across_2 = self._down_2 = self._time_s = 0.0
        self._look_at_height(_LOWEST_FT)
        self._gusts = [_Pulse(gust, wind.from_rad) for gust in wind.gusts]

    def renew(self, generator: np.random.Generator) -> None:
        """Turbulence is driven by another generator from here on."""
        self._noise.renew(generator)

    def step(self, height_m: float, airspeed_m_s: float) -> tuple[float, float, float]:
        """The wind (north, east, down; where the air moves to) one period later at this height and airspeed."""
        steady = self._wind.speed_m_s * profile(height_m)
        if self._gusts:
            return self._with_gusts(steady, height_m, airspeed_m_s)
        return self._without_gusts(steady, height_m, airspeed_m_s)

    def _with_gusts(self, steady: float, height_m: float, airspeed_m_s: float) -> tuple[float, float, float]:
        north, east, down = self._without_gusts(steady, height_m, airspeed_m_s)
        self._time_s += self._period_s
        fade = _fade(height_m)
        for gust in self._gusts:
            speed = fade * gust.speed_m_s(self._time_s)
            north, east = north + speed * gust.north, east + speed * gust.east
        return north, east, down

    def _without_gusts(
        self, steady: float, height_m: float, airspeed_m_s: float
    ) -> tuple[float, float, float]:
        if self._wind.turbulence == "none":
            return steady * self._cos, steady * self._sin, 0.0
        along, across, down = self._turbulence(height_m, max(_SLOWEST_M_S, airspeed_m_s))
        along += steady
        return along * self._cos - across * self._sin, along * self._sin + across * self._cos, down

    def _turbulence(self, height_m: float, airspeed_m_s: float) -> tuple[float, float, float]:
        height_ft = min(_HIGHEST_FT, max(_LOWEST_FT, height_m / FOOT_M))
        if height_ft != self._height_ft:
            self._look_at_height(height_ft)
        fade = _fade(height_m)
        w_along, w_across, w_down = self._noise.take()
        travelled = self._period_s * airspeed_m_s
        level, upright = exp(-travelled / self._level_m), exp(-travelled / self._upright_m)
        driving = sqrt(1.0 - level * level)
        self._along = level * self._along + driving * w_along
        self._across, self._across_2 = _two_poles(self._across, self._across_2, level, driving * w_across)
        w_down *= sqrt(1.0 - upright * upright)
        self._down, self._down_2 = _two_poles(self._down, self._down_2, upright, w_down)
        return (
            fade * self._sigma_u * self._along,
            fade * self._sigma_u * _shaped(self._across, self._across_2),
            fade * self._sigma_w * _shaped(self._down, self._down_2),
        )

    def _look_at_height(self, height_ft: float) -> None:
        """Scales and intensities there; they are the same at all heights up to the lowest that has some."""
        self._height_ft = height_ft
        self._level_m, self._upright_m = length_scales_m(height_ft * FOOT_M)
        self._sigma_u, self._sigma_w = intensities_m_s(height_ft * FOOT_M, self._wind.turbulence)


def _two_poles(first: float, second: float, factor: float, driven: float) -> tuple[float, float]:
    """Two equal lags in a row; the first has unit variance when driven by noise times the root of 1 - factor^2."""
    following = factor * first + driven
    return following, factor * second + (1.0 - factor) * 0.5 * (first + following)


def _shaped(first: float, second: float) -> float:
    """The lateral and vertical Dryden filter (1 + sqrt(3) s T) / (1 + s T)^2, split into its lags, variance 1.

    With white noise of intensity 2 T the first lag has variance 1 and the filter 2: hence the root of 2.
    """
    return (_ROOT_3 * first + (1.0 - _ROOT_3) * second) / _ROOT_2

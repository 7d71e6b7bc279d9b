"""What the vehicle makes of its accelerometer over time: vibration, clipping, and the wind.

Wind: a multirotor's accelerometer feels no gravity and, across its rotor axis, little but drag. Divided by the
drag per speed (parameter `drag`, 1/s) that is the speed through the air; what is left of the speed over the
ground is wind. It is averaged over 4 s, in the air only, and good to about 1 m/s: biases of the accelerometer go
into it in full.
"""

from __future__ import annotations

from math import cos, sin, sqrt

from asflown.sim.interface import TICK_US, FlightCore
from asflown.sim.parameters import Parameters

_TICK_S = TICK_US / 1e6
_AVERAGE_S, _WIND_S = 0.5, 4.0
_SHARE, _WIND_EVERY_TICKS = _TICK_S / _AVERAGE_S, 10
_WIND_SHARE = _WIND_EVERY_TICKS * _TICK_S / _WIND_S
CLIPPED_M_S2 = 16 * 9.80665 * 0.99
"""Full scale of the usual accelerometer, 16 g."""
_KNOWN_AFTER = 100


class MotionWatch:
    """Call `tick` every 10 ms."""

    __slots__ = (
        "_core", "_looks", "_mean", "_parameters", "_square", "_tick", "clippings", "variance", "wind_east_m_s",
        "wind_north_m_s",
    )  # fmt: skip

    def __init__(self, core: FlightCore, parameters: Parameters) -> None:
        self._core, self._parameters = core, parameters
        self._mean = self._square = (0.0, 0.0, 0.0)
        self._tick = self._looks = 0
        self.clippings = 0
        self.wind_north_m_s = self.wind_east_m_s = 0.0
        self.variance = 0.0
        """Of the wind seen lately about its average, m^2/s^2."""

    @property
    def wind_known(self) -> bool:
        """Whether it has flown long enough."""
        return self._looks >= _KNOWN_AFTER

    def vibration_m_s2(self) -> tuple[float, float, float]:
        """Root mean square of the acceleration's departure from its average of half a second, by body axis."""
        x, y, z = self._square
        return sqrt(x), sqrt(y), sqrt(z)

    def tick(self) -> None:
        """Takes in the latest sample."""
        x, y, z = self._core.readings.acceleration_frd_m_s2
        mx, my, mz = self._mean
        dx, dy, dz = x - mx, y - my, z - mz
        self._mean = mx + _SHARE * dx, my + _SHARE * dy, mz + _SHARE * dz
        sx, sy, sz = self._square
        self._square = (
            sx + _SHARE * (dx * dx - sx),
            sy + _SHARE * (dy * dy - sy),
            sz + _SHARE * (dz * dz - sz),
        )
        if max(abs(x), abs(y), abs(z)) > CLIPPED_M_S2:
            self.clippings += 1
        self._tick += 1
        if self._tick % _WIND_EVERY_TICKS == 0:
            self._look_at_wind()

    def _look_at_wind(self) -> None:
        core, e = self._core, self._core.estimate
        if core.on_ground or not e.position_valid:
            return
        per_s = self._parameters["drag"]
        forward, right = -self._mean[0] / per_s, -self._mean[1] / per_s
        c, s = cos(e.yaw_rad), sin(e.yaw_rad)
        north = e.velocity_north_m_s - (forward * c - right * s)
        east = e.velocity_east_m_s - (forward * s + right * c)
        away_n, away_e = north - self.wind_north_m_s, east - self.wind_east_m_s
        self.wind_north_m_s += _WIND_SHARE * away_n
        self.wind_east_m_s += _WIND_SHARE * away_e
        self.variance += _WIND_SHARE * (0.5 * (away_n * away_n + away_e * away_e) - self.variance)
        self._looks += 1

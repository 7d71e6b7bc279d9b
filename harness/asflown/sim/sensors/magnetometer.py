"""The magnetometer at 50 Hz: the fixed field of the place in body axes, an offset of its own, and white noise."""

from __future__ import annotations

from math import cos, sin

import numpy as np

from asflown.sim.airframe import CompassSheet
from asflown.sim.noise import rows

FIELD_NED_GAUSS = (0.193, 0.007, 0.450)
"""North, east and down; about that of the Netherlands in 2025, rounded. The vehicle knows its declination."""

Vector = tuple[float, float, float]


class Magnetometer:
    """`fault_rad` turns the horizontal field clockwise as seen from above, as iron beside the sensor would."""

    __slots__ = ("_noise", "_noise_gauss", "_offset", "fault_rad")

    def __init__(self, sheet: CompassSheet, generator: np.random.Generator) -> None:
        self._noise_gauss = sheet.noise_gauss
        self._offset: list[float] = (sheet.offset_gauss * generator.standard_normal(3)).tolist()
        self._noise = rows(generator, 3)
        self.fault_rad = 0.0

    def sample_gauss(self, roll_rad: float, pitch_rad: float, yaw_rad: float) -> Vector:
        """What is measured, forward-right-down, at a true attitude."""
        north, east, down = FIELD_NED_GAUSS
        yaw = yaw_rad - self.fault_rad
        cy, sy, cp, sp, cr, sr = (
            cos(yaw),
            sin(yaw),
            cos(pitch_rad),
            sin(pitch_rad),
            cos(roll_rad),
            sin(roll_rad),
        )
        ahead, right = cy * north + sy * east, cy * east - sy * north
        forward, below = cp * ahead - sp * down, sp * ahead + cp * down
        (ox, oy, oz), (wx, wy, wz), noise = self._offset, next(self._noise), self._noise_gauss
        return (
            forward + ox + noise * wx,
            cr * right + sr * below + oy + noise * wy,
            cr * below - sr * right + oz + noise * wz,
        )

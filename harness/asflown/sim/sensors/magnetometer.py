"""The magnetometer at 50 Hz: the fixed field of the place in body axes, an offset, the motors' currents, white noise.

The field is that of one place on earth wherever the craft flies (declination 2 degrees east), which the vehicle
knows; a field by place would need a world magnetic model.
"""

from __future__ import annotations

from math import cos, sin

import numpy as np

from asflown.sim.airframe import CompassSheet
from asflown.sim.noise import Rows

FIELD_NED_GAUSS = (0.193, 0.007, 0.450)
"""North, east and down; about that of the Netherlands in 2025, rounded. The vehicle knows its declination."""

Vector = tuple[float, float, float]


class Magnetometer:
    """`fault_rad` turns the horizontal field clockwise as seen from above, as iron beside the sensor would.

    While `stuck` is set, the last reading stays.
    """

    __slots__ = ("_interference", "_last", "_noise", "_noise_gauss", "_offset", "fault_rad", "stuck")

    def __init__(
        self, sheet: CompassSheet, generator: np.random.Generator, hover_current_a: float = 1.0
    ) -> None:
        self._noise_gauss = sheet.noise_gauss
        self._offset: list[float] = (sheet.offset_gauss * generator.standard_normal(3)).tolist()
        per_ampere = sheet.interference_gauss / hover_current_a
        self._interference: list[float] = (per_ampere * generator.standard_normal(3)).tolist()
        self._noise = Rows(generator, 3)
        self.fault_rad, self.stuck = 0.0, False
        self._last: Vector = (0.0, 0.0, 0.0)

    def renew(self, generator: np.random.Generator) -> None:
        """Its noise comes from another generator from here on; its offset stays."""
        self._noise.renew(generator)

    def sample_gauss(
        self, roll_rad: float, pitch_rad: float, yaw_rad: float, current_a: float = 0.0
    ) -> Vector:
        """What is measured, forward-right-down, at a true attitude and current of the battery."""
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
        (ox, oy, oz), (wx, wy, wz), noise = self._offset, self._noise.take(), self._noise_gauss
        if not self.stuck:
            ix, iy, iz = self._interference
            self._last = (
                forward + ox + current_a * ix + noise * wx,
                cr * right + sr * below + oy + current_a * iy + noise * wy,
                cr * below - sr * right + oz + current_a * iz + noise * wz,
            )
        return self._last

"""The rangefinder at 20 Hz: the distance to level ground along the body's down axis, when it is in range.

Noise grows with distance; beyond its range, and when tilted so far that the ground is, it shows nothing.
"""

from __future__ import annotations

from math import cos

import numpy as np

from asflown.sim.airframe import RangefinderSheet
from asflown.sim.noise import Rows

PERIOD_TICKS = 5


class Rangefinder:
    """Ask it every PERIOD_TICKS; it draws the same noise whether in range or not."""

    __slots__ = ("_noise", "_sheet")

    def __init__(self, sheet: RangefinderSheet, generator: np.random.Generator) -> None:
        self._sheet, self._noise = sheet, Rows(generator, 1)

    def renew(self, generator: np.random.Generator) -> None:
        """Its noise comes from another generator from here on."""
        self._noise.renew(generator)

    def sample_m(self, height_m: float, roll_rad: float, pitch_rad: float) -> float | None:
        """What is measured at a true height over the ground and attitude."""
        sheet, (w,) = self._sheet, self._noise.take()
        upright = cos(roll_rad) * cos(pitch_rad)
        if upright <= 0.0:
            return None
        distance_m = height_m / upright
        if not sheet.least_m <= distance_m <= sheet.most_m:
            return None
        return max(0.0, distance_m + (sheet.noise_m + sheet.noise_share * distance_m) * w)

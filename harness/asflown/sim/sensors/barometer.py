"""The barometer at 50 Hz: static pressure with white noise, a slow drift, and what faults add."""

from __future__ import annotations

import numpy as np

from asflown.sim.airframe import BarometerSheet
from asflown.sim.noise import GaussMarkov, rows

PERIOD_S = 0.02


class Barometer:
    """`fault_pa` is added to every sample."""

    __slots__ = ("_drift", "_noise", "_noise_pa", "fault_pa")

    def __init__(self, sheet: BarometerSheet, generator: np.random.Generator) -> None:
        self._noise_pa = sheet.noise_pa
        self._noise = rows(generator, 1)
        self._drift = GaussMarkov(generator, (sheet.drift_pa,), sheet.drift_time_constant_s, PERIOD_S)
        self.fault_pa = 0.0

    def sample_pa(self, pressure_pa: float) -> float:
        """What is measured of a true static pressure."""
        return pressure_pa + self._drift.step()[0] + self._noise_pa * next(self._noise)[0] + self.fault_pa

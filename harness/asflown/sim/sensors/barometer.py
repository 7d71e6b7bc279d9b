"""The barometer at 50 Hz: static pressure with white noise, a slow drift, and the quick drift of a fault."""

from __future__ import annotations

import numpy as np

from asflown.sim.airframe import BarometerSheet
from asflown.sim.atmosphere import pressure_pa as standard_pressure_pa
from asflown.sim.noise import GaussMarkov, rows

PERIOD_S = 0.02
FAULT_M_S = 0.1
"""How fast a fault lets the shown height sink away from the true one."""


class Barometer:
    """While `drifting` is set, the shown height sinks at FAULT_M_S; afterwards it comes back as slowly."""

    __slots__ = ("_drift", "_fault_pa", "_fault_step_pa", "_noise", "_noise_pa", "drifting")

    def __init__(self, sheet: BarometerSheet, generator: np.random.Generator) -> None:
        self._noise_pa = sheet.noise_pa
        self._noise = rows(generator, 1)
        self._drift = GaussMarkov(generator, (sheet.drift_pa,), sheet.drift_time_constant_s, PERIOD_S)
        self._fault_pa, self.drifting = 0.0, False
        self._fault_step_pa = (standard_pressure_pa(0.0) - standard_pressure_pa(1.0)) * FAULT_M_S * PERIOD_S

    def sample_pa(self, pressure_pa: float) -> float:
        """What is measured of a true static pressure."""
        if self.drifting:
            self._fault_pa += self._fault_step_pa
        elif self._fault_pa > 0.0:
            self._fault_pa = max(0.0, self._fault_pa - self._fault_step_pa)
        return pressure_pa + self._drift.step()[0] + self._noise_pa * next(self._noise)[0] + self._fault_pa

"""The barometer at 50 Hz: static pressure with white noise, a slow drift, and faults.

Readings come in steps of STEP_PA and stay within the part's range (300 to 1100 hPa, common practice).
"""

from __future__ import annotations

import numpy as np

from asflown.sim.airframe import BarometerSheet
from asflown.sim.atmosphere import pressure_pa as standard_pressure_pa
from asflown.sim.noise import GaussMarkov, Rows

PERIOD_S = 0.02
FAULT_M_S = 0.1
"""How fast a fault lets the shown height sink away from the true one."""
STEP_PA = 0.25
LEAST_PA, MOST_PA = 30_000.0, 110_000.0


class Barometer:
    """While `drifting` (a factor on FAULT_M_S) is set, the shown height sinks; afterwards it comes back at FAULT_M_S.

    While `stuck` is set, the last reading stays.
    """

    __slots__ = (
        "_drift",
        "_fault_pa",
        "_fault_step_pa",
        "_last_pa",
        "_noise",
        "_noise_pa",
        "drifting",
        "stuck",
    )

    def __init__(self, sheet: BarometerSheet, generator: np.random.Generator) -> None:
        self._noise_pa = sheet.noise_pa
        self._noise = Rows(generator, 1)
        self._drift = GaussMarkov(generator, (sheet.drift_pa,), sheet.drift_time_constant_s, PERIOD_S)
        self._fault_pa, self.drifting, self.stuck, self._last_pa = 0.0, 0.0, False, 101_325.0
        self._fault_step_pa = (standard_pressure_pa(0.0) - standard_pressure_pa(1.0)) * FAULT_M_S * PERIOD_S

    def renew(self, generator: np.random.Generator) -> None:
        """Its errors come from another generator from here on."""
        self._noise.renew(generator)
        self._drift.renew(generator)

    def sample_pa(self, pressure_pa: float) -> float:
        """What is measured of a true static pressure."""
        if self.drifting:
            self._fault_pa += self.drifting * self._fault_step_pa
        elif self._fault_pa > 0.0:
            self._fault_pa = max(0.0, self._fault_pa - self._fault_step_pa)
        measured = (
            pressure_pa + self._drift.step()[0] + self._noise_pa * self._noise.take()[0] + self._fault_pa
        )
        if not self.stuck:
            self._last_pa = STEP_PA * round(min(MOST_PA, max(LEAST_PA, measured)) / STEP_PA)
        return self._last_pa

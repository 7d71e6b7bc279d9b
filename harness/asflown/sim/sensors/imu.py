"""Gyroscopes and accelerometers at 400 Hz: bias, white noise, vibration that grows with throttle, full scale.

Body axes forward-right-down. The accelerometer measures specific force: at rest (0, 0, -g). A bias is a constant of
the flight and a part that wanders (Gauss-Markov, moved on once a second), which bounds what averaging can reach.
Quantisation is left out: a step of 16 bits is a tenth of the noise or less.
"""

from __future__ import annotations

import numpy as np

from asflown.sim.airframe import ImuSheet
from asflown.sim.noise import GaussMarkov
from asflown.sim.plant import FOOT_M, State

BLOCK = 400
MOST_RAD_S, MOST_M_S2 = 34.9, 156.9
"""Full scale, where a sensor clips: 2000 deg/s and 16 g, as is usual for such parts (common practice)."""
CLIPPING_M_S2, CLIPPING_SHAKES = 19.6, 10.0
"""What a fault makes of the accelerometers: a range of 2 g, and vibration this many times as strong."""

Sample = tuple[float, float, float, float, float, float]
"""Angular rates (rad/s) and specific force (m/s^2), forward-right-down."""

AT_REST: Sample = (0.0, 0.0, 0.0, 0.0, 0.0, -9.80665)


class Imu:
    """Draws bias and noise once per block; a sample costs a dozen multiplications.

    Call `begin_tick` every 10 ms with the mean motor command; `clipped` counts samples at the end of the range.
    """

    __slots__ = (
        "_at",
        "_bias",
        "_constant",
        "_deviations",
        "_force_gain",
        "_generator",
        "_hardest",
        "_noise",
        "_rate_gain",
        "_shakes",
        "_vibration_force",
        "_vibration_rate",
        "_wandering",
        "clipped",
    )

    def __init__(self, sheet: ImuSheet, generator: np.random.Generator) -> None:
        rate, force = [sheet.rate_noise_rad_s] * 3, [sheet.acceleration_noise_m_s2] * 3
        self._generator = generator
        self._deviations = np.array(rate + force)
        bias = np.array([sheet.rate_bias_rad_s] * 3 + [sheet.acceleration_bias_m_s2] * 3)
        self._constant: list[float] = (bias * generator.standard_normal(6)).tolist()
        slow, heavy = sheet.rate_instability_rad_s, sheet.acceleration_instability_m_s2
        own = np.random.Generator(np.random.PCG64(int(generator.integers(2**63))))
        self._wandering = GaussMarkov(own, (slow, slow, slow, heavy, heavy, heavy), sheet.instability_s, 1.0)
        self._bias: list[float] = list(self._constant)
        self._vibration_rate = sheet.rate_vibration_rad_s / sheet.rate_noise_rad_s
        self._vibration_force = sheet.acceleration_vibration_m_s2 / sheet.acceleration_noise_m_s2
        self._hardest: float = MOST_M_S2
        self._shakes = 1.0
        self.clipped = 0
        self._noise: list[list[float]] = []
        self._at = BLOCK
        self.begin_tick(0.0)

    def loosen(self, severity: float) -> None:
        """The fault: shaken more, at a narrower range; 0 mends it."""
        self._hardest = CLIPPING_M_S2 if severity > 0.0 else MOST_M_S2
        self._shakes = 1.0 + (CLIPPING_SHAKES - 1.0) * severity

    def renew(self, generator: np.random.Generator) -> None:
        """Noise and the wandering of the bias come from another generator from here on; the bias itself stays."""
        self._generator = generator
        self._wandering.renew(np.random.Generator(np.random.PCG64(int(generator.integers(2**63)))))
        if self._at < BLOCK:
            self._noise = self._white()

    def begin_tick(self, throttle: float) -> None:
        """Takes in the mean motor command, from 0 to 1, that shakes the sensor for the next samples."""
        shaking = throttle * throttle
        self._rate_gain = 1.0 + self._vibration_rate * shaking
        self._force_gain = 1.0 + self._vibration_force * shaking * self._shakes

    def sample(self, state: State) -> Sample:
        """What is measured of a plant state."""
        at = self._at
        if at == BLOCK:
            self._draw()
            at = 0
        self._at = at + 1
        p, q, r, x, y, z = self._noise[at]
        rate_gain, force_gain = self._rate_gain, self._force_gain
        b0, b1, b2, b3, b4, b5 = self._bias
        p = state[9] + b0 + rate_gain * p
        q = state[10] + b1 + rate_gain * q
        r = state[11] + b2 + rate_gain * r
        x = state[12] * FOOT_M + b3 + force_gain * x
        y = state[13] * FOOT_M + b4 + force_gain * y
        z = state[14] * FOOT_M + b5 + force_gain * z
        most, hardest = MOST_RAD_S, self._hardest
        turning = -most < p < most and -most < q < most and -most < r < most
        if turning and -hardest < x < hardest and -hardest < y < hardest and -hardest < z < hardest:
            return p, q, r, x, y, z
        self.clipped += 1
        p, q, r = (min(most, max(-most, rate)) for rate in (p, q, r))
        x, y, z = (min(hardest, max(-hardest, force)) for force in (x, y, z))
        return p, q, r, x, y, z

    def _draw(self) -> None:
        """The next second of white noise; the bias wanders in between."""
        self._bias = [c + w for c, w in zip(self._constant, self._wandering.step(), strict=True)]
        self._noise = self._white()

    def _white(self) -> list[list[float]]:
        rows: list[list[float]] = (self._generator.standard_normal((BLOCK, 6)) * self._deviations).tolist()
        return rows

"""Gyroscopes and accelerometers at 400 Hz: bias, white noise, vibration that grows with throttle, full scale.

Body axes forward-right-down. The accelerometer measures specific force: at rest (0, 0, -g).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from asflown.sim.airframe import ImuSheet
from asflown.sim.plant import FOOT_M, State

BLOCK = 400
MOST_RAD_S, MOST_M_S2 = 34.9, 156.9
"""Full scale, where a sensor clips: 2000 deg/s and 16 g, as is usual for such parts (common practice)."""

Sample = tuple[float, float, float, float, float, float]
"""Angular rates (rad/s) and specific force (m/s^2), forward-right-down."""

AT_REST: Sample = (0.0, 0.0, 0.0, 0.0, 0.0, -9.80665)


class Imu:
    """Draws bias and noise once per block; a sample costs a dozen multiplications."""

    __slots__ = ("_bias", "_deviations", "_generator", "_noise", "_vibration_force", "_vibration_rate")

    def __init__(self, sheet: ImuSheet, generator: np.random.Generator) -> None:
        rate, force = [sheet.rate_noise_rad_s] * 3, [sheet.acceleration_noise_m_s2] * 3
        self._generator = generator
        self._deviations = np.array(rate + force)
        bias = np.array([sheet.rate_bias_rad_s] * 3 + [sheet.acceleration_bias_m_s2] * 3)
        self._bias: list[float] = (bias * generator.standard_normal(6)).tolist()
        self._vibration_rate = sheet.rate_vibration_rad_s / sheet.rate_noise_rad_s
        self._vibration_force = sheet.acceleration_vibration_m_s2 / sheet.acceleration_noise_m_s2
        self._noise = self._blocks()

    def sample(self, state: State, throttle: float) -> Sample:
        """What is measured of a plant state, at a mean motor command from 0 to 1."""
        p, q, r, x, y, z = next(self._noise)
        shaking = throttle * throttle
        rate_gain = 1.0 + self._vibration_rate * shaking
        force_gain = 1.0 + self._vibration_force * shaking
        b0, b1, b2, b3, b4, b5 = self._bias
        p = state[9] + b0 + rate_gain * p
        q = state[10] + b1 + rate_gain * q
        r = state[11] + b2 + rate_gain * r
        x = state[12] * FOOT_M + b3 + force_gain * x
        y = state[13] * FOOT_M + b4 + force_gain * y
        z = state[14] * FOOT_M + b5 + force_gain * z
        most, hardest = MOST_RAD_S, MOST_M_S2
        turning = -most < p < most and -most < q < most and -most < r < most
        if turning and -hardest < x < hardest and -hardest < y < hardest and -hardest < z < hardest:
            return p, q, r, x, y, z
        p, q, r = (min(most, max(-most, rate)) for rate in (p, q, r))
        x, y, z = (min(hardest, max(-hardest, force)) for force in (x, y, z))
        return p, q, r, x, y, z

    def _blocks(self) -> Iterator[list[float]]:
        while True:
            yield from (self._generator.standard_normal((BLOCK, 6)) * self._deviations).tolist()

"""The inertial sensors' noise by its Allan deviation.

Source: IEEE Std 952-1997, annex C (from memory): white noise of density N gives N / sqrt(tau); a first-order
Gauss-Markov process of deviation s and time constant T gives a hump whose formula is `markov` below. OC-CTL-11.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, sqrt

import numpy as np
import pytest

from asflown.sim.airframe import AIRFRAMES
from asflown.sim.interface import STEP_S
from asflown.sim.plant import STATE_NODES
from asflown.sim.seeds import generator
from asflown.sim.sensors.imu import Imu


def allan(values: np.ndarray, cluster: int) -> float:
    """Allan deviation by overlapping clusters."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    means = (sums[cluster:] - sums[:-cluster]) / cluster
    return float(np.sqrt(0.5 * np.mean((means[cluster:] - means[:-cluster]) ** 2)))


def markov(tau_s: float, deviation: float, time_constant_s: float) -> float:
    """Of a Gauss-Markov process: the variance of half the difference of neighbouring means, exactly."""
    x = tau_s / time_constant_s
    return deviation * sqrt((2.0 * x - 3.0 + 4.0 * exp(-x) - exp(-2.0 * x)) / (x * x))


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_allan_deviation_is_as_specified(airframe: str) -> None:
    """White noise at a tenth of a second and at one, the wandering bias at ten and at thirty, here made larger."""
    sheet = replace(AIRFRAMES[airframe].imu, rate_instability_rad_s=2e-3, instability_s=30.0)
    imu, still = Imu(sheet, generator(1, "imu")), [0.0] * len(STATE_NODES)
    rates = np.array([imu.sample(still)[0] for _ in range(400 * 900)])
    for tau_s, near in ((0.1, 0.05), (1.0, 0.1), (10.0, 0.25), (30.0, 0.35)):
        white = sheet.rate_noise_rad_s * sqrt(STEP_S / tau_s)
        expected = sqrt(white**2 + markov(tau_s, 2e-3, 30.0) ** 2)
        assert allan(rates, round(tau_s / STEP_S)) == pytest.approx(expected, rel=near), tau_s

"""The estimator's filters and the sensors' error processes against closed forms of estimation theory.

Sources, by the ids of the project's list of outside checks: the discrete Riccati equation of a random walk (OC-CTL-05,
-06), P. Kalata's tracking index (OC-CTL-07), exact discretisation of a first-order Gauss-Markov process (OC-CTL-11),
and the definition of Z-Y-X Euler angles (OC-CTL-13). scipy solves the Riccati equations beside them.
"""

from __future__ import annotations

from math import exp, radians

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are

from asflown.sim.estimator.channels import HeadingChannel, HorizontalChannel, VerticalChannel
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.noise import GaussMarkov
from asflown.sim.seeds import generator

MANY = 4000


@pytest.mark.parametrize(
    ("process", "predicted", "gain"),
    [
        pytest.param(1.0, 1.618_034, 0.618_034, id="OC-CTL-05"),
        pytest.param(0.01, 0.105_125, 0.095_125, id="OC-CTL-06"),
    ],
)
def test_random_walk_filter(process: float, predicted: float, gain: float) -> None:
    """OC-CTL-05, -06: the heading filter with a perfect gyro bias settles at the golden ratio, and at its slow kin."""
    channel = HeadingChannel(rate_density=process, bias_density=0.0)
    channel.reset(10.0, 0.0)
    for _ in range(MANY):
        channel.predict(1.0)
        channel.gain(1.0)
    channel.predict(1.0)
    assert channel.p00 == pytest.approx(predicted, abs=1e-6)
    assert channel.gain(1.0)[0] == pytest.approx(gain, abs=1e-6)


def test_position_velocity_filter() -> None:
    """OC-CTL-07: the height filter with a perfect accelerometer bias has alpha 0.75, beta 0.5 at index 1."""
    channel = VerticalChannel(acceleration_density=1.0, bias_density=0.0)
    channel.reset(10.0, 10.0, 0.0)
    for _ in range(MANY):
        channel.predict(1.0)
        channel.gain_position(1.0)
    channel.predict(1.0)
    assert (channel.p00, channel.p01, channel.p11) == pytest.approx((3.0, 2.0, 2.0), abs=1e-9)
    assert channel.gain_position(1.0) == pytest.approx((0.75, 0.5, 0.0), abs=1e-9)


def test_horizontal_filter_solves_the_riccati_equation() -> None:
    """The four-state covariance settles where scipy's solution of the same model lies."""
    g, dt, q, r, b, noise = 9.81, 0.02, 2e-3, 1e-6, 1e-9, 0.49
    channel = HorizontalChannel(g, q, r, b)
    channel.reset(1.0, 1.0, 0.1, 0.01)
    for _ in range(200_000):
        channel.predict(dt)
        channel.gain_position(noise)
    channel.predict(dt)
    predicted = [channel.p00, channel.p11, channel.p22, channel.p33]
    f = np.eye(4)
    f[0, 1], f[1, 2], f[2, 3] = dt, g * dt, dt
    h = np.array([[1.0, 0.0, 0.0, 0.0]])
    solution = solve_discrete_are(f.T, h.T, np.diag([0.0, q, r, b]) * dt, np.array([[noise]]))
    assert predicted == pytest.approx(np.diag(solution).tolist(), rel=1e-6)


def test_gauss_markov_process() -> None:
    """OC-CTL-11: 30 s of correlation at 5 Hz; the driving noise keeps the standard deviation, here 2 m."""
    process = GaussMarkov(generator(1, "gnss"), (2.0,), time_constant_s=30.0, period_s=0.2)
    assert process.factor == pytest.approx(0.993_356, abs=1e-6)
    assert process.driving[0] == pytest.approx(2.0 * 0.115_086, abs=1e-6)


def test_gauss_markov_correlation() -> None:
    """OC-CTL-11: a long series has the stated deviation, and correlates with itself as the exponential says."""
    process = GaussMarkov(generator(1, "gnss"), (2.0, 1.0), time_constant_s=2.0, period_s=0.1)
    series = np.array([list(process.step()) for _ in range(100_000)])
    later, earlier = series[20:, 0], series[:-20, 0]
    assert series.std(axis=0) == pytest.approx([2.0, 1.0], rel=0.04)
    assert np.corrcoef(later, earlier)[0, 1] == pytest.approx(exp(-1.0), abs=0.04)


def test_alignment_makes_the_quaternion_of_its_angles() -> None:
    """OC-CTL-13: yaw 30, pitch 20, roll 10 degrees in the order Z-Y-X."""
    strapdown = Strapdown(9.81)
    strapdown.align(radians(10.0), radians(20.0), radians(30.0))
    quaternion = strapdown.q0, strapdown.q1, strapdown.q2, strapdown.q3
    assert quaternion == pytest.approx((0.951_549, 0.038_135, 0.189_308, 0.239_298), abs=1e-6)

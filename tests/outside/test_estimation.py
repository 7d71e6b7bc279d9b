"""The estimator's filters and the sensors' error processes against closed forms of estimation theory.

Sources, by the ids of the project's list of outside checks: the discrete Riccati equation of a random walk (OC-CTL-05,
-06), P. Kalata's tracking index (OC-CTL-07), exact discretisation of a first-order Gauss-Markov process (OC-CTL-11),
and the definition of Z-Y-X Euler angles (OC-CTL-13). scipy solves the Riccati equations beside them.
"""

from __future__ import annotations

from dataclasses import fields, replace
from math import exp, radians

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are

from asflown.sim.airframe import PALM80
from asflown.sim.estimator.error_filter import STATES, ErrorFilter
from asflown.sim.estimator.noises import Noises, noises_of
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.noise import GaussMarkov
from asflown.sim.seeds import generator

MANY = 4000
LEVEL = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
WEIGHTLESS, HANGING = (0.0, 0.0, 0.0), (0.0, 0.0, -9.81)


def settled_filter(**densities: float) -> ErrorFilter:
    """A filter with a period of 1 s in which nothing is unknown but what `densities` drive."""
    silent = Noises(**dict.fromkeys((field.name for field in fields(Noises)), 0.0))
    craft = ErrorFilter(replace(silent, **densities), 1.0)
    craft.covariance[2, 2] = craft.covariance[5, 5] = craft.covariance[8, 8] = 100.0
    return craft


@pytest.mark.parametrize(
    ("process", "predicted", "gain"),
    [
        pytest.param(1.0, 1.618_034, 0.618_034, id="OC-CTL-05"),
        pytest.param(0.01, 0.105_125, 0.095_125, id="OC-CTL-06"),
    ],
)
def test_random_walk_filter(process: float, predicted: float, gain: float) -> None:
    """OC-CTL-05, -06: the heading of a filter without biases settles at the golden ratio, and at its slow kin."""
    craft, before = settled_filter(rate_density=process), 0.0
    for _ in range(MANY):
        craft.predict(WEIGHTLESS, LEVEL)
        craft.covariance[6:8], craft.covariance[:, 6:8] = 0.0, 0.0  # a tilt would show as a heading, too
        before = float(craft.covariance[8, 8])
        craft.measure_heading(1.0, 1.0)
    assert before == pytest.approx(predicted, abs=1e-6)
    craft.take()
    assert 1.0 - float(craft.covariance[8, 8]) / before == pytest.approx(gain, abs=1e-6)


def test_position_velocity_filter() -> None:
    """OC-CTL-07: height without biases and tilt has alpha 0.75, beta 0.5 at index 1."""
    craft = settled_filter(acceleration_density=1.0)
    p = craft.covariance
    for _ in range(MANY):
        craft.predict(WEIGHTLESS, LEVEL)
        p = craft.covariance.copy()
        craft.measure_down(0.0, 1.0)
    assert (p[2, 2], p[2, 5], p[5, 5]) == pytest.approx((3.0, 2.0, 2.0), abs=1e-9)
    craft.measure_down(1.0, 4.0 - float(craft.covariance[2, 2]))
    assert (p[2, 2] / 4.0, p[2, 5] / 4.0) == pytest.approx((0.75, 0.5), abs=1e-9)


def test_the_filter_solves_the_riccati_equation() -> None:
    """Position and velocity settle where scipy's solution of the same model lies."""
    noises = replace(noises_of(PALM80), acceleration_bias_density=1e-6, rate_bias_density=1e-9)
    craft = ErrorFilter(noises, 0.04)
    craft.align(LEVEL, 9.81)
    variances = [0.7, 0.7, 0.01, 0.01, 0.02]
    predicted = craft.covariance
    for _ in range(20_000):
        craft.predict(HANGING, LEVEL)
        predicted = craft.covariance.copy()
        craft.expect_motion(0.0)
        craft.measure_motion([0.0] * 5, variances)
    seen = [0, 1, 2, 3, 4, 5, 6, 7, 12, 13]
    f = np.eye(STATES)
    f[[0, 1, 2], [3, 4, 5]] = 0.04
    f[3, 7], f[4, 6], f[6, 12], f[7, 13] = -0.04 * 9.81, 0.04 * 9.81, -0.04, -0.04
    f, h, q = (
        f[np.ix_(seen, seen)],
        np.eye(STATES)[[0, 1, 3, 4, 5]][:, seen],
        craft._driving[np.ix_(seen, seen)],
    )
    level = [0, 1, 3, 4, 6, 7, 8, 9]
    solution = solve_discrete_are(
        f[np.ix_(level, level)].T, h[:4, level].T, q[np.ix_(level, level)], np.diag(variances[:4])
    )
    measured = np.diag(predicted)[[seen[index] for index in level]]
    assert measured[:4] == pytest.approx(np.diag(solution)[:4], rel=0.02)


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

"""The estimator of `vehicle calibrate` beside statsmodels on the linear part of its problem.

Source: statsmodels (Seabold and Perktold, 2010): IV2SLS for instruments, OLS with cluster covariance for intervals. The
problem is made linear: a level craft, no drag that grows with the square, no loss along the axis.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import t as student
from statsmodels.sandbox.regression.gmm import IV2SLS

from asflown.campaign.calibration import fit as fitting
from asflown.campaign.calibration.fit import BLOCK_S, fit
from asflown.campaign.calibration.model import Flight, rotor_speeds
from asflown.frames import FloatArray
from tests.unit.campaign.calibration.made_up import DESIGN, STEP_S, capture

LINEAR = replace(DESIGN, level_area_m2=0.0, upright_area_m2=0.0, inflow_factor=0.0)
SIDE_PER_S = 1.4
"""Deceleration for each m/s, of the craft that made the motion."""


def linear_flight(*, own: bool) -> Flight:
    """Velocities of a craft with linear drag in gusts, which it answers; the instrument is its own velocity or not."""
    made, rng = capture(seconds=200.0), np.random.default_rng(2)
    gust = np.zeros_like(made.velocity_m_s)
    for row in range(1, len(gust)):
        gust[row] = 0.97 * gust[row - 1] + rng.normal(0.0, 0.25, 3)
    velocity, asked = np.zeros_like(gust), made.set_points.velocity_m_s
    for row in range(1, len(gust)):
        pull = 2.0 * (asked[row] - velocity[row - 1]) + SIDE_PER_S * gust[row]
        velocity[row] = velocity[row - 1] + STEP_S * (pull - SIDE_PER_S * velocity[row - 1])
    one = replace(made, velocity_m_s=velocity, throttle=np.full(len(velocity), 0.7))
    between = np.concatenate([0.5 * (velocity[:-1] + velocity[1:]), velocity[-1:]])
    flight = Flight(one, LINEAR, rotor_speeds(one, LINEAR), between if own else asked)
    assert flight.length == 5
    return flight


def regression(flight: Flight) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Both level axes stacked: accelerations, regressors, instruments (each with a constant an axis), blocks."""
    velocity = flight.capture.velocity_m_s
    count = (len(velocity) - 1) // flight.length
    middle = (0.5 * (velocity[:-1] + velocity[1:]))[: count * flight.length]
    mean = middle.reshape(count, flight.length, 3).mean(axis=1)
    ends = velocity[: count * flight.length + 1 : flight.length]
    pulled = np.diff(ends, axis=0) / flight.window_s
    asked = flight.windows(flight.instrument)
    blocks = np.array_split(np.arange(count), int(flight.capture.airborne_s / BLOCK_S))
    of_block = np.concatenate([[number] * len(block) for number, block in enumerate(blocks)])

    def stacked(values: FloatArray) -> FloatArray:
        zero, one = np.zeros(count), np.ones(count)
        return np.column_stack([values[:, :2].T.ravel(), np.r_[one, zero], np.r_[zero, one]])

    return pulled[:, :2].T.ravel(), stacked(mean), stacked(asked), np.tile(of_block, 2)


def factor(flight: Flight) -> float:
    """What a drag share of 1 decelerates by, for each m/s."""
    return float(LINEAR.side_drag_factor * flight.rotor_rad_s[0] / LINEAR.mass_kg)


@pytest.fixture(autouse=True)
def nothing_added(monkeypatch: pytest.MonkeyPatch) -> None:
    """The reference knows no systematic part, and no trim beside the constant."""
    monkeypatch.setattr(fitting, "SYSTEMATIC", (0.0, 0.0))
    monkeypatch.setattr(fitting, "_TRIM_WINDOWS", 1e9)


def test_with_instruments_it_is_two_stage_least_squares() -> None:
    """The drag found with set-points as instruments is that of IV2SLS."""
    flight = linear_flight(own=False)
    pulled, regressors, instruments, _ = regression(flight)
    reference = IV2SLS(pulled, regressors, instruments).fit().params[0]
    assert fit([flight]).drag.value * factor(flight) == pytest.approx(-reference, rel=1e-4)


def test_with_its_own_velocity_it_is_least_squares_with_cluster_covariance() -> None:
    """Value and interval are those of OLS whose covariance is summed by blocks, but for the stated corrections."""
    flight = linear_flight(own=True)
    pulled, regressors, _, blocks = regression(flight)
    reference = sm.OLS(pulled, regressors).fit(
        cov_type="cluster", cov_kwds={"groups": blocks, "use_correction": False}
    )
    found, count = fit([flight]), len(np.unique(blocks))
    assert found.drag.value * factor(flight) == pytest.approx(-reference.params[0], rel=1e-3, abs=1e-6)
    freedom = count - 3
    half = student.ppf(0.975, freedom) * reference.bse[0] * np.sqrt(count / freedom)
    assert found.drag.half * factor(flight) == pytest.approx(half, rel=1e-3)

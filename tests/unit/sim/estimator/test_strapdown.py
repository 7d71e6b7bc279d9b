"""Strapdown integration against scipy's rotations and plain kinematics."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.interface import STEP_S

angles = st.floats(-1.2, 1.2)
rates = st.floats(-3.0, 3.0)


def matrix(strapdown: Strapdown) -> np.ndarray:
    """Body axes to north-east-down."""
    s = strapdown
    return np.array([[s.r11, s.r12, s.r13], [s.r21, s.r22, s.r23], [s.r31, s.r32, s.r33]])


@given(angles, angles, st.floats(-3.1, 3.1), st.tuples(rates, rates, rates))
def test_constant_rates_turn_it_as_they_should(
    roll: float, pitch: float, yaw: float, rate: tuple[float, float, float]
) -> None:
    """After a second at constant body rates the attitude is the start's turned by the rotation vector."""
    strapdown = Strapdown(9.81)
    strapdown.align(roll, pitch, yaw)
    strapdown.begin((*rate, 0.0, 0.0, 0.0))
    for _ in range(400):
        strapdown.propagate((*rate, 0.0, 0.0, 0.0))
    expected = Rotation.from_euler("ZYX", [yaw, pitch, roll]) * Rotation.from_rotvec(rate)
    assert matrix(strapdown) == pytest.approx(expected.as_matrix(), abs=2e-4)


def test_at_rest_nothing_moves() -> None:
    """Specific force against gravity in any attitude leaves velocity and position at nothing."""
    strapdown = Strapdown(9.81)
    strapdown.align(0.3, -0.2, 2.0)
    force = matrix(strapdown).T @ [0.0, 0.0, -9.81]
    strapdown.begin((0.0, 0.0, 0.0, *force.tolist()))
    for _ in range(400):
        strapdown.propagate((0.0, 0.0, 0.0, *force.tolist()))
    moved = (strapdown.velocity_north_m_s, strapdown.velocity_east_m_s, strapdown.velocity_down_m_s)
    assert moved == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


def test_acceleration_becomes_velocity_and_position() -> None:
    """Two seconds of 1 m/s2 forwards, heading east: 2 m/s and 2 m eastwards."""
    strapdown = Strapdown(9.81)
    strapdown.align(0.0, 0.0, np.pi / 2)
    strapdown.begin((0.0, 0.0, 0.0, 1.0, 0.0, -9.81))
    for _ in range(800):
        strapdown.propagate((0.0, 0.0, 0.0, 1.0, 0.0, -9.81))
    assert strapdown.velocity_east_m_s == pytest.approx(2.0)
    assert strapdown.east_m == pytest.approx(2.0, abs=2.0 * STEP_S)
    assert strapdown.north_m == pytest.approx(0.0, abs=1e-9)


@given(angles, angles, angles, st.tuples(*[st.floats(-0.02, 0.02)] * 3))
def test_small_tilts_turn_about_earth_axes(
    roll: float, pitch: float, yaw: float, error: tuple[float, float, float]
) -> None:
    """A correction is a small rotation in north-east-down, put in front of the attitude."""
    strapdown = Strapdown(9.81)
    strapdown.align(roll, pitch, yaw)
    before = Rotation.from_matrix(matrix(strapdown))
    strapdown.tilt(*error)
    expected = Rotation.from_rotvec(error) * before
    assert matrix(strapdown) == pytest.approx(expected.as_matrix(), abs=2e-5)


def test_corrections_land_where_they_belong() -> None:
    """Errors in the filter's order: place and velocity in earth axes, biases on their own sensors."""
    strapdown = Strapdown(9.81)
    strapdown.align(0.0, 0.0, np.pi / 2)
    strapdown.correct([1, 2, 3, 4, 5, 6, 0, 0, 0, 0.1, 0.2, 0.3, 0.01, 0.02, 0.03])
    s = strapdown
    assert (s.north_m, s.east_m, s.down_m) == (1, 2, 3)
    assert (s.velocity_north_m_s, s.velocity_east_m_s, s.velocity_down_m_s) == (4, 5, 6)
    strapdown.begin((0.01, 0.02, 0.03, 0.1, 0.2, 0.3 - 9.81))
    strapdown.propagate((0.01, 0.02, 0.03, 0.1, 0.2, 0.3 - 9.81))
    assert (s.p, s.q, s.r) == (0.0, 0.0, 0.0)
    assert (s.velocity_north_m_s, s.velocity_east_m_s, s.velocity_down_m_s) == pytest.approx((4, 5, 6))


def test_it_moves_as_the_plant_does() -> None:
    """A period follows what was measured when it began; the rate it tells is the latest, for who damps with it."""
    strapdown = Strapdown(9.81)
    strapdown.propagate((0.0, 0.0, 2.0, 0.0, 0.0, -9.81))
    assert (strapdown.r, strapdown.r21) == (2.0, 0.0)
    strapdown.propagate((0.0, 0.0, 0.0, 0.0, 0.0, -9.81))
    assert strapdown.r == 0.0
    assert strapdown.r21 == pytest.approx(2.0 * STEP_S, rel=1e-4)

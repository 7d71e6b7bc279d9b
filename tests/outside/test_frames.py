"""Plane rotations, directions and attitude, held against trigonometry, directional statistics and scipy.

Ids are those of the project's list of outside checks.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from scipy.stats import circmean

from asflown.frames import (
    angle_difference,
    circular_mean,
    euler_from_quaternion,
    quaternion_from_euler,
    to_forward_right,
    to_north_east,
)

angles = st.floats(-math.pi, math.pi)


@pytest.mark.parametrize(
    ("forward_right_m", "north_east_m"),
    [((8.0, 0.0), (6.9282, 4.0000)), ((8.0, 6.0), (3.9282, 9.1962))],
    ids=["8 m forward", "8 m forward and 6 m right"],
)
def test_start_heading_frame(forward_right_m: tuple[float, float], north_east_m: tuple[float, float]) -> None:
    """OC-GEO-18: forward and right along heading 30 deg, in north and east, and back again."""
    heading_rad = math.radians(30)
    assert to_north_east(*forward_right_m, heading_rad) == pytest.approx(north_east_m, abs=1e-4)
    assert to_forward_right(*north_east_m, heading_rad) == pytest.approx(forward_right_m, abs=1e-4)


def test_angle_difference_across_north() -> None:
    """OC-GEO-19: from 1 deg to 359 deg is a turn of -2 deg (Mardia & Jupp, Directional Statistics)."""
    difference_rad = angle_difference(math.radians(359), math.radians(1))
    assert math.degrees(difference_rad) == pytest.approx(-2, abs=1e-9)


def test_mean_across_north() -> None:
    """OC-GEO-19: the mean of 350 deg and 10 deg is 0 deg, not 180 deg."""
    assert math.degrees(circular_mean([math.radians(350), math.radians(10)])) == pytest.approx(0, abs=1e-9)


@given(st.lists(st.floats(-1.5, 1.5), min_size=1, max_size=30), angles)
def test_circular_mean_equals_scipy(spread_rad: list[float], centre_rad: float) -> None:
    """Directions within 1.5 rad of a centre have the mean that scipy finds."""
    directions = [centre_rad + offset for offset in spread_rad]
    difference = angle_difference(circular_mean(directions), float(circmean(directions)))
    assert difference == pytest.approx(0, abs=1e-9)


def test_attitude_as_quaternion() -> None:
    """OC-CTL-13: yaw 30, pitch 20, roll 10 deg as w, x, y, z."""
    wxyz = quaternion_from_euler(math.radians(10), math.radians(20), math.radians(30))
    assert wxyz == pytest.approx((0.951_549, 0.038_135, 0.189_308, 0.239_298), abs=1e-6)


@given(angles, st.floats(-1.57, 1.57), angles)
def test_quaternion_equals_scipy(roll_rad: float, pitch_rad: float, yaw_rad: float) -> None:
    """Any attitude: the same quaternion as scipy's intrinsic z-y-x rotation, up to the common sign."""
    x, y, z, w = Rotation.from_euler("ZYX", [yaw_rad, pitch_rad, roll_rad]).as_quat()
    ours = quaternion_from_euler(roll_rad, pitch_rad, yaw_rad)
    dot = sum(a * b for a, b in zip(ours, (w, x, y, z), strict=True))
    assert abs(dot) == pytest.approx(1, abs=1e-12)


@given(angles, st.floats(-1.57, 1.57), angles)
def test_attitude_survives_the_way_there_and_back(roll_rad: float, pitch_rad: float, yaw_rad: float) -> None:
    """Euler angles to a quaternion and back are the same attitude, within 1e-6 rad short of the poles."""
    back = euler_from_quaternion(*quaternion_from_euler(roll_rad, pitch_rad, yaw_rad))
    for value, expected in zip(back, (roll_rad, pitch_rad, yaw_rad), strict=True):
        assert angle_difference(value, expected) == pytest.approx(0, abs=1e-6)

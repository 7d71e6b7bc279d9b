"""Laws of frames: what must hold for every point, heading and direction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.frames import (
    TangentPlane,
    angle_difference,
    circular_mean,
    to_forward_right,
    to_north_east,
    wrap_angle,
)

metres = st.floats(-10_000, 10_000)
headings = st.floats(-10, 10)


@given(metres, metres, headings)
def test_turning_axes_keeps_distances_and_can_be_undone(
    forward_m: float, right_m: float, heading_rad: float
) -> None:
    """A point keeps its distance from the origin in other axes, and comes back unchanged."""
    north_m, east_m = to_north_east(forward_m, right_m, heading_rad)
    assert math.hypot(north_m, east_m) == pytest.approx(math.hypot(forward_m, right_m), abs=1e-8)
    assert to_forward_right(north_m, east_m, heading_rad) == pytest.approx((forward_m, right_m), abs=1e-8)


def test_axes_of_arrays_equal_axes_of_numbers() -> None:
    """Arrays of coordinates turn as single ones do."""
    north_m, east_m = to_north_east(np.array([8.0, 1.0]), np.array([6.0, 0.0]), 0.5)
    assert (north_m[0], east_m[0]) == pytest.approx(to_north_east(8.0, 6.0, 0.5))
    assert (north_m[1], east_m[1]) == pytest.approx(to_north_east(1.0, 0.0, 0.5))


@given(st.floats(-100, 100))
def test_wrapped_angle_is_the_same_direction(angle_rad: float) -> None:
    """Wrapping changes an angle by whole turns and leaves it between -pi and pi."""
    wrapped_rad = wrap_angle(angle_rad)
    assert -math.pi <= wrapped_rad <= math.pi
    turns = (angle_rad - wrapped_rad) / math.tau
    assert turns == pytest.approx(round(turns), abs=1e-9)


@given(headings, st.floats(-3.1, 3.1))
def test_angle_difference_is_the_turn_that_was_made(reference_rad: float, turn_rad: float) -> None:
    """A turn of less than half a circle is found again, with its sign."""
    assert angle_difference(reference_rad + turn_rad, reference_rad) == pytest.approx(turn_rad, abs=1e-9)


def test_mean_of_no_angles_is_zero() -> None:
    """Nothing to average gives 0, not an error."""
    assert circular_mean([]) == 0


def test_home_is_the_origin_of_its_plane() -> None:
    """Home lies at zero, and a point above it straight up."""
    plane = TangentPlane(52.0, 4.5, 3.0)
    assert plane.to_ned(52.0, 4.5, 3.0) == pytest.approx((0, 0, 0), abs=1e-8)
    assert plane.to_ned(52.0, 4.5, 13.0) == pytest.approx((0, 0, -10), abs=1e-8)


def test_a_missing_sample_spoils_only_its_own_row() -> None:
    """NaN in one row of an array leaves the others as they are."""
    rows = TangentPlane(52.0, 4.5, 0.0).to_ned_array(
        np.array([52.0, np.nan]), np.array([4.5, 4.5]), np.zeros(2)
    )
    assert rows[0] == pytest.approx((0, 0, 0), abs=1e-8)
    assert np.isnan(rows[1]).any()

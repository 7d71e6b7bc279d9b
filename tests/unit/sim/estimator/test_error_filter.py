"""Laws that the covariance keeps: it stays possible, and measuring never makes one know less."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.sim.airframe import PALM80
from asflown.sim.estimator.error_filter import ErrorFilter
from asflown.sim.estimator.noises import noises_of

LEVEL = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
HANGING = (0.0, 0.0, -9.81)
stories = st.lists(st.sampled_from(["predict", "down", "heading", "motion"]), max_size=60)


def aligned() -> ErrorFilter:
    """The filter of the small craft as it is after alignment, facing north."""
    craft = ErrorFilter(noises_of(PALM80), 0.04)
    craft.align(LEVEL, 9.81)
    return craft


def go_on(craft: ErrorFilter, step: str) -> None:
    """One step of a story."""
    if step == "predict":
        craft.predict((1.0, -2.0, -9.0), LEVEL)
    elif step == "down":
        craft.measure_down(0.1, 0.04)
    elif step == "heading":
        craft.measure_heading(0.1, 0.01)
    else:
        rows = craft.motion_rows(0.14)
        expected = craft.expected(rows, np.full(5, 0.2))
        craft.measure(rows, np.array([0.1, 0.2, 0.3, 0.1, 0.2]), expected)


@given(stories)
@settings(max_examples=40)
def test_the_covariance_stays_possible(story: list[str]) -> None:
    """Whatever comes in whatever order, it is symmetric and positive; a measurement never widens it."""
    craft = aligned()
    for step in story:
        before = np.diag(craft.covariance).copy()
        go_on(craft, step)
        after = craft.covariance
        scale = np.sqrt(np.outer(np.diag(after), np.diag(after)) + 1e-30)
        assert np.abs((after - after.T) / scale).max() < 1e-9
        assert np.linalg.eigvalsh(after / scale).min() > -1e-9
        if step != "predict":
            assert (np.diag(after) <= before + 1e-15).all()


def test_alignment_knows_what_it_cannot_tell_apart() -> None:
    """Right after alignment tilt and accelerometer bias are one and the same, with the sign that nature has."""
    p = aligned().covariance
    correlation = p / np.sqrt(np.outer(np.diag(p), np.diag(p)) + 1e-30)
    assert correlation[6, 10] > 0.98
    assert correlation[7, 9] < -0.98


def test_no_magnet_tilts_the_craft() -> None:
    """However wrong the compass, its correction turns the heading and leaves tilt and velocity alone."""
    craft = aligned()
    for _ in range(100):
        craft.predict(HANGING, LEVEL)
        craft.measure_heading(0.4, 0.01)
    errors = craft.take()
    assert errors[8] > 0.3
    assert errors[:8] == [0.0] * 8
    assert craft.take() == [0.0] * 15


def test_a_measurement_is_weighed_by_its_variance() -> None:
    """Half way when belief and measurement are equally sure, and the variance is halved."""
    craft = aligned()
    sure = float(craft.covariance[2, 2])
    assert craft.measure_down(1.0, sure) == pytest.approx(2.0 * sure)
    assert craft.take()[2] == pytest.approx(0.5)
    assert craft.covariance[2, 2] == pytest.approx(0.5 * sure)

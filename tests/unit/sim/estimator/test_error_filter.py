"""Laws that the covariance keeps: it stays possible, and measuring never makes one know less."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.sim.airframe import PALM80
from asflown.sim.estimator.error_filter import ErrorFilter
from asflown.sim.estimator.noises import noises_of
from asflown.sim.estimator.whitening import LOWER, whitened, whitening

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
        expected = craft.expect_motion(0.14)
        assert len(expected) == 5
        craft.measure_motion([0.1, 0.2, 0.3, 0.1, 0.2], [0.2] * 5)


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


@pytest.mark.parametrize(("age_s", "period_s"), [(0.0, 0.04), (0.14, 0.04), (0.3, 0.04)])
def test_a_late_fix_says_nothing_of_the_noise_since(age_s: float, period_s: float) -> None:
    """Against the plain formula with the state of then: gain F P0 H' S^-1, and P - K S K' for the state of now."""
    noises = replace(
        noises_of(PALM80), rate_density=0.0, acceleration_bias_density=0.0, rate_bias_density=0.0
    )
    craft = ErrorFilter(noises, period_s)
    craft.align(LEVEL, 9.81)
    craft.covariance[:6, :6] += 0.01 * np.eye(6)
    f, q, h = np.eye(15), np.zeros((15, 15)), np.eye(15)[[0, 1, 3, 4, 5]]
    dense = noises.acceleration_density
    for axis in range(3):
        f[axis, 3 + axis] = age_s
        q[axis, axis], q[3 + axis, 3 + axis] = dense * age_s**3 / 3, dense * age_s
        q[axis, 3 + axis] = q[3 + axis, axis] = dense * age_s**2 / 2
    then = craft.covariance.copy()
    craft.covariance = f @ then @ f.T + q
    s = h @ then @ h.T + np.diag([0.7, 0.7, 0.02, 0.02, 0.03])
    gain = f @ then @ h.T @ np.linalg.inv(s)
    expected = craft.covariance - gain @ s @ gain.T
    assert craft.expect_motion(age_s) == pytest.approx(np.diag(h @ then @ h.T).tolist(), abs=1e-12)
    nis = craft.measure_motion([1.0, -1.0, 0.1, 0.2, 0.3], [0.7, 0.7, 0.02, 0.02, 0.03])
    assert craft.covariance == pytest.approx(expected, abs=1e-12)
    away = np.array([1.0, -1.0, 0.1, 0.2, 0.3])
    assert np.array(craft.take()) == pytest.approx(gain @ away, abs=1e-12)
    assert nis == pytest.approx(away @ np.linalg.solve(s, away))


def test_what_is_refused_counts_for_nothing() -> None:
    """An infinite variance leaves the covariance and the correction as they are."""
    craft, inf = aligned(), float("inf")
    before = craft.covariance.copy()
    craft.measure_field(3.0, inf, 1.0, inf)
    craft.expect_motion(0.1)
    assert craft.measure_motion([9.0] * 5, [inf] * 5) == 0.0
    assert craft.take() == [0.0] * 15
    assert craft.covariance == pytest.approx(before, abs=1e-18)


@given(
    st.lists(st.floats(-2.0, 2.0), min_size=25, max_size=25),
    st.lists(st.floats(0.01, 9.0), min_size=5, max_size=5),
)
def test_whitening_makes_innovations_independent(entries: list[float], variances: list[float]) -> None:
    """W S W' is the identity, as it is with numpy's Cholesky factor."""
    root = np.array(entries).reshape(5, 5)
    s = root @ root.T
    w = np.zeros((5, 5))
    w.put(LOWER, whitening(s.ravel().tolist(), variances))
    assert w == pytest.approx(np.linalg.inv(np.linalg.cholesky(s + np.diag(variances))), rel=1e-6, abs=1e-6)
    assert whitened(w[np.tril_indices(5)].tolist(), variances) == pytest.approx(w @ variances)

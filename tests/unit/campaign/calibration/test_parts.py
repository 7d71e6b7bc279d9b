"""Tests of a calibration's smaller parts: instruments, delay, noise and the motors' lag."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from asflown.campaign.calibration.capture import SetPoints
from asflown.campaign.calibration.delay import response_delay
from asflown.campaign.calibration.instruments import instrument
from asflown.campaign.calibration.motor import motor_lag
from asflown.campaign.calibration.noise import quick_noise
from asflown.record.series import Series
from tests.unit.campaign.calibration.made_up import STEP_S, capture, track_of


def test_what_was_asked_for_is_the_instrument() -> None:
    """Set-points that the craft followed stand in for its velocity."""
    one = capture(gusts_m_s=0.3)
    found, asked = instrument(one)
    assert asked
    assert not np.allclose(found, one.velocity_m_s)


def test_positions_asked_for_serve_as_well() -> None:
    """A position set-point ahead counts as a velocity towards it."""
    one = capture()
    reached = np.cumsum(one.velocity_m_s, axis=0) * STEP_S
    ahead = np.concatenate([reached[10:], np.tile(reached[-1], (10, 1))])
    points = SetPoints(one.time_s, ahead, np.full_like(ahead, np.nan))
    assert instrument(replace(one, set_points=points))[1]


def test_without_set_points_its_own_velocity_has_to_do() -> None:
    """And so it has where the craft did something else than was asked."""
    one = capture()
    none = SetPoints(np.empty(0), np.empty((0, 3)), np.empty((0, 3)))
    other = replace(one.set_points, velocity_m_s=one.set_points.velocity_m_s[:, [1, 0, 2]] * [1, -1, 1])
    for points in (none, other):
        found, asked = instrument(replace(one, set_points=points))
        assert not asked
        assert found == pytest.approx(one.velocity_m_s)


@pytest.mark.parametrize("delay_s", [0.1, 0.3, 0.5])
def test_the_delay_of_answers_is_found(delay_s: float) -> None:
    """A craft that begins to move so long after each set-point is said to."""
    one = capture()
    time_s, asked = one.time_s, one.set_points.velocity_m_s
    moved = np.zeros_like(asked)
    changes = [0, *(np.flatnonzero(np.linalg.norm(np.diff(asked, axis=0), axis=1) > 0) + 1)]
    for start, end in zip(changes, [*changes[1:], len(time_s)], strict=True):
        begin = moved[start - 1] if start else np.zeros(3)
        late_s = np.clip(time_s[start:end] - time_s[start] - delay_s, 0.0, None)
        share = np.clip(1.5 * late_s**2 / 3.0, 0.0, 1.0)[:, None]
        moved[start:end] = begin + share * (asked[start] - begin)
    found = response_delay([replace(one, velocity_m_s=moved, track=track_of(time_s, moved))])
    assert found is not None
    assert found.value == pytest.approx(delay_s, abs=0.06)


def test_few_steps_show_no_delay() -> None:
    """One answer is an anecdote."""
    assert response_delay([capture(seconds=10.0)]) is None


def test_quick_noise_is_told_apart_from_motion() -> None:
    """White noise on smooth motion comes out in its own size, for each axis group, inside its interval."""
    one = capture(seconds=300.0)
    rng = np.random.default_rng(4)
    noisy = one.velocity_m_s + rng.normal(0.0, 0.08, one.velocity_m_s.shape)
    found = {
        noise.name: noise.size for noise in quick_noise([replace(one, track=track_of(one.time_s, noisy))])
    }
    for axes in ("level", "upright"):
        assert found[f"velocity, {axes}"].value == pytest.approx(0.08, rel=0.1)
        assert found[f"velocity, {axes}"].low < found[f"velocity, {axes}"].high


@pytest.mark.parametrize("lag_s", [0.03, 0.06])
def test_the_motors_lag_shows_at_50_hz(lag_s: float) -> None:
    """Force that follows throttle with a first-order lag gives the lag, within the interval."""
    one, step_s, rng = capture(seconds=120.0), 0.02, np.random.default_rng(8)
    time_s = np.arange(0.0, 120.0, step_s)
    throttle = 0.7 + 0.05 * np.repeat(rng.normal(size=len(time_s) // 5), 5)
    speed, kept = np.empty_like(throttle), float(np.exp(-step_s / lag_s))
    speed[0] = 0.7
    for row in range(1, len(speed)):
        speed[row] = kept * speed[row - 1] + (1 - kept) * throttle[row - 1]
    felt = -20.0 * speed**2 + rng.normal(0.0, 0.3, len(speed))
    quick = replace(one, throttle_series=Series(time_s, throttle), upright_force=Series(time_s, felt))
    found = motor_lag([quick])
    assert found is not None
    assert found.low <= lag_s <= found.high
    assert found.value == pytest.approx(lag_s, abs=0.012)


def test_the_motors_lag_does_not_show_in_slow_logs() -> None:
    """At telemetry's usual rate nothing is said."""
    assert motor_lag([capture()]) is None

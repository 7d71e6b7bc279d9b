"""The reference: straight, within limits, and never past its target."""

from __future__ import annotations

from math import dist, hypot

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.sim.controller.reference import PERIOD_S, Reference, approach_speed_m_s
from asflown.sim.interface import Limits, Target

LIMITS = Limits(speed_m_s=3.0, climb_m_s=1.5, descent_m_s=1.0, acceleration_m_s2=2.5)
places = st.floats(-60.0, 60.0)


def moved(target: Target, seconds: float) -> list[Reference]:
    """Copies of a reference on its way from rest at the origin."""
    reference, history = Reference(0.6, 10.0, 0.2), []
    for _ in range(round(seconds / PERIOD_S)):
        reference.step(target, LIMITS)
        copy = Reference(0.6, 10.0, 0.2)
        copy.position, copy.velocity = reference.position, reference.velocity
        copy.acceleration = reference.acceleration
        history.append(copy)
    return history


@given(places, places, st.floats(-20.0, 20.0))
@pytest.mark.slow
def test_a_far_point_is_reached_in_a_straight_line(north: float, east: float, down: float) -> None:
    """From rest it stays on the line, within 1 mm in 100 m, and within 5 cm of its end at the end."""
    length = dist((0.0, 0.0, 0.0), (north, east, down))
    history = moved(Target(north, east, down), 10.0 + length)
    assert dist(history[-1].position, (north, east, down)) < 0.01
    for reference in history[::20]:
        along = sum(p * t for p, t in zip(reference.position, (north, east, down), strict=True)) / max(
            length, 1e-9
        )
        assert along <= length + 0.05
        off_line = dist(reference.position, (0.0, 0.0, 0.0)) ** 2 - along**2
        assert off_line < 1e-4 + 1e-6 * length


@given(places, places, st.floats(-20.0, 20.0))
def test_limits_are_kept(north: float, east: float, down: float) -> None:
    """Speed, climb, descent and acceleration stay within their limits the whole way."""
    for reference in moved(Target(north, east, down), 20.0):
        v_north, v_east, v_down = reference.velocity
        assert hypot(v_north, v_east) < LIMITS.speed_m_s + 0.02
        assert -LIMITS.climb_m_s - 0.02 < v_down < LIMITS.descent_m_s + 0.02
        assert hypot(*reference.acceleration[:2]) < LIMITS.acceleration_m_s2 + 1e-6


def test_a_speed_limit_of_the_target_counts() -> None:
    """The smaller of both limits is flown."""
    fastest = max(r.velocity[0] for r in moved(Target(50.0, 0.0, 0.0, speed_limit_m_s=1.0), 20.0))
    assert fastest == pytest.approx(1.0, abs=0.01)
    fastest = max(r.velocity[0] for r in moved(Target(50.0, 0.0, 0.0, speed_limit_m_s=9.0), 20.0))
    assert fastest == pytest.approx(3.0, abs=0.01)


def test_a_velocity_is_taken_up_smoothly() -> None:
    """A velocity target is reached without overshoot, and its acceleration starts at nothing."""
    history = moved(Target(velocity_north_m_s=2.0, velocity_east_m_s=0.0, velocity_down_m_s=0.0), 5.0)
    assert history[0].acceleration[0] == pytest.approx(10.0 * PERIOD_S)
    assert history[-1].velocity[0] == pytest.approx(2.0, abs=1e-3)
    assert max(r.velocity[0] for r in history) < 2.1


def test_it_waits_for_a_craft_that_cannot_follow() -> None:
    """Kept on a leash, it does not run away, up or sideways."""
    reference = Reference(0.6, 10.0, 0.2)
    for _ in range(1000):
        reference.step(Target(50.0, 50.0, -20.0), LIMITS)
        reference.keep_near(0.0, 0.0, 0.0, 2.0, 0.6)
    assert hypot(*reference.position[:2]) < 2.0 + 1e-9
    assert abs(reference.position[2]) < 0.6 + 1e-9


@given(st.floats(0.01, 100.0), st.floats(0.5, 5.0))
def test_the_approach_speed_can_be_stopped_from(distance: float, deceleration: float) -> None:
    """At no distance is the allowed speed above what the deceleration can take away in it."""
    assert approach_speed_m_s(distance, deceleration) <= (2.0 * deceleration * distance) ** 0.5 + 1e-9

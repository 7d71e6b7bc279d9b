"""Laws that every covariance keeps: it stays possible, and measuring never makes one know less."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from asflown.sim.estimator.channels import HorizontalChannel, VerticalChannel

steps = st.lists(st.sampled_from(["predict", "position", "velocity"]), max_size=200)


def full(channel: HorizontalChannel | VerticalChannel) -> np.ndarray:
    """The symmetric matrix."""
    size = 4 if isinstance(channel, HorizontalChannel) else 3
    upper = [[getattr(channel, f"p{min(i, j)}{max(i, j)}") for j in range(size)] for i in range(size)]
    return np.array(upper)


def keep_the_laws(channel: HorizontalChannel | VerticalChannel, story: list[str]) -> None:
    """Goes through a story of predictions and measurements and checks after each."""
    for step in story:
        before = full(channel)
        if step == "predict":
            channel.predict(0.02)
        elif step == "position":
            channel.gain_position(0.04)
        else:
            channel.gain_velocity(0.01)
        after = full(channel)
        scale = np.sqrt(np.outer(np.diag(after), np.diag(after)))
        assert np.linalg.eigvalsh(after / scale).min() > -1e-9
        if step != "predict":
            assert (np.diag(after) <= np.diag(before) + 1e-15).all()


@given(steps)
def test_the_horizontal_covariance_stays_possible(story: list[str]) -> None:
    """Whatever comes in whatever order, it is positive; a measurement never widens it."""
    channel = HorizontalChannel(9.81, 2e-3, 1e-6, 1e-9)
    channel.reset(1.0, 0.3, 0.01, 0.001)
    keep_the_laws(channel, story)


@given(steps)
def test_the_vertical_covariance_stays_possible(story: list[str]) -> None:
    """The same for height."""
    channel = VerticalChannel(0.01, 1e-5)
    channel.reset(1.0, 0.3, 0.1)
    keep_the_laws(channel, story)

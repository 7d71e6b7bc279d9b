"""Where to look next: repeatable, inside the cube, at its edges where the best lies there, and knowing no flights."""

from __future__ import annotations

import numpy as np
import pytest

from asflown.campaign.optimise import Way, chooser, minimise
from asflown.frames import FloatArray

WAYS = pytest.mark.parametrize("way", ["model", "evolution", "random"])


def distance(point: FloatArray) -> float:
    """From a place inside the cube, less a small radius."""
    return float(np.linalg.norm(point - np.array([0.83, 0.2, 0.5]))) - 0.12


@WAYS
def test_equal_seeds_ask_equal_points(way: Way) -> None:
    """And every point lies in the cube."""
    asked: list[list[FloatArray]] = []
    for _ in range(2):
        by = chooser(way, 3, seed=5)
        points = []
        for _ in range(10):
            points.append(by.next())
            by.learn(distance(points[-1]))
        asked.append(points)
    assert np.array_equal(asked[0], asked[1])
    assert np.min(asked[0]) >= 0.0
    assert np.max(asked[0]) <= 1.0


def test_a_small_region_is_found_sooner_by_a_model_than_by_chance() -> None:
    """A hundred-and-fortieth of the cube, on a slope that leads to it."""
    model = [len(minimise(distance, chooser("model", 3, seed), 60)) for seed in range(5)]
    chance = [len(minimise(distance, chooser("random", 3, seed), 60)) for seed in range(5)]
    assert max(model) <= 30
    assert sum(model) < 0.6 * sum(chance)


def test_a_corner_is_looked_into() -> None:
    """Where only all of everything fails, in six dimensions, which chance would not meet in a thousand."""
    found = minimise(lambda point: 5.7 - float(np.sum(point)), chooser("model", 6, 1), 60)
    assert found[-1] < 0


@WAYS
def test_one_condition_alone_can_be_searched(way: Way) -> None:
    """One dimension is enough."""
    assert len(minimise(lambda point: float(point[0]) - 0.3, chooser(way, 1, 2), 40)) < 40

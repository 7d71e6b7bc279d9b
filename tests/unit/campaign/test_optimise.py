"""Where to look next: repeatable, inside the cube, at its edges where the best lies there, and knowing no flights."""

from __future__ import annotations

import numpy as np
import pytest

from asflown.campaign.optimise import Way, chooser, minimise
from asflown.frames import FloatArray
from tests.benchmarks.search_stand_ins import needed

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
            points.append(by.next({}))
            by.learn({"far": distance(points[-1]), "near": float(points[-1][0])})
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


def test_a_value_that_nothing_moves_does_not_hide_the_others() -> None:
    """It is the smallest until the region is met."""
    by, found = chooser("model", 3, 4), 1.0
    for _ in range(40):
        point = by.next({})
        found = min(found, distance(point))
        by.learn({"unmoved": 0.01, "far": distance(point)})
    assert found < 0


def test_values_may_be_missing() -> None:
    """All of them at the second point, and one at each third: it is found all the same."""
    lowest = []
    for seed in range(1, 6):
        by = chooser("model", 3, seed)
        lowest.append(1.0)
        for number in range(60):
            point = by.next({})
            lowest[-1] = min(lowest[-1], distance(point))
            values = {"far": distance(point), "other": 0.2 + float(point[1])}
            by.learn({} if number == 1 else values if number % 3 else {"far": values["far"]})
    assert max(lowest) < 0


def test_a_model_heeds_the_hint_in_each_second_round_once_it_knows_something() -> None:
    """In the one coordinate, and as far as the cube goes; a round is four points, and each fourth is for spreading."""
    by, asked = chooser("model", 3, 2), []
    for _ in range(40):
        asked.append(by.next({"far": {1: (0.9, 1.4)}}))
        by.learn({"far": distance(asked[-1])})
    spread = [point[1] for number, point in enumerate(asked) if number >= 4 and number % 4 == 0]
    modelled = [(number - number // 4, point[1]) for number, point in enumerate(asked) if number % 4]
    heeded = [place for turn, place in modelled[3:] if turn // 4 % 2 == 0]
    assert min(spread + heeded) >= 0.9
    assert len(set(heeded)) > 10
    assert min(place for turn, place in modelled if turn // 4 % 2) < 0.9


def test_a_small_dip_does_not_hide_the_deep_one_on_the_other_side() -> None:
    """A gust from one side pushes to the hedge, and from the other lets the craft swing back: few searches miss it."""
    looked = [needed("gust", "model", seed, 60, hints=True) for seed in range(1, 21)]
    assert sum(one > 60 for one in looked) <= 3


def test_a_value_that_is_easily_moved_does_not_take_all_points() -> None:
    """It falls lower than the other is at rest, and no further; the other fails in a hundredth of the square."""
    looked = []
    for seed in range(1, 11):
        by, corner = chooser("model", 2, seed), 1.0
        looked.append(0)
        while corner >= 0 and looked[-1] < 60:
            point = by.next({})
            corner = 0.1 - 0.85 * max(0.0, 0.15 - float(np.abs(point - 0.75).max()))
            by.learn(
                {"corner": corner, "decoy": 0.9 - 0.85 * min(1.0, 2.5 * max(0.0, 0.5 - float(point[0])))}
            )
            looked[-1] += 1
    assert sum(one < 60 for one in looked) >= 7

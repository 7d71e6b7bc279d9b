"""The continuous distance leg by leg: never below that of the whole, and above it by no more than it says."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.frames import FloatArray
from asflown.grade import geometry
from asflown.grade.free_space import continuous_frechet, is_within
from asflown.grade.shape_measures import frechet_continuous
from asflown.record.series import Series
from asflown.scenario.model import Limit
from asflown.scenario.path import PathLeg
from tests.unit.grade.awkward import AWKWARD, Awkward
from tests.unit.grade.paths import arc, climb, hold, line, path, shaken
from tests.unit.grade.test_disturb import bare
from tests.unit.grade.test_match import on_path

ROUND = path(climb(3), line(8, 0, 3), hold(2), line(8, 6, 3), arc((8, 9), np.pi), line(0, 12, 3))


def by_leg(track: Series, legs: tuple[PathLeg, ...]) -> tuple[float, float]:
    """The measure, and how much it may lie above the distance of the whole by its own words."""
    found = frechet_continuous(bare(track, legs), Limit(at_most=1.0))
    said = re.search(r"no more than ([\d.]+) m less$", found.says)
    assert said is not None
    assert found.value is not None
    return found.value, float(said[1])


def holds(track: Series, legs: tuple[PathLeg, ...]) -> bool:
    """Whether the distance of the whole lies between the measure and the least that it may be by its words.

    The words are rounded to 1 cm; arcs are cut into chords.
    """
    value, above = by_leg(track, legs)
    planned = np.concatenate([leg.points(0.1 if leg.kind == "arc" else np.inf) for leg in legs])
    least = value - above - 0.01
    return is_within(track.values, planned, value + 1e-9) and (
        least < 0 or not is_within(track.values, planned, least)
    )


@settings(max_examples=25)
@given(size_m=st.floats(0, 1.5), seed=st.integers(0, 10**6))
def test_bound_holds_for_any_wander(size_m: float, seed: int) -> None:
    """The distance of the whole lies between what is measured and what is said to be the least."""
    assert holds(shaken(on_path(ROUND, hz=5.0)[0], size_m, seed), ROUND)


@pytest.mark.parametrize("case", AWKWARD, ids=[case.name for case in AWKWARD])
def test_bound_holds_for_awkward_flights(case: Awkward) -> None:
    """It holds, too, where legs are missing, flown twice or in another order."""
    assert holds(Series(case.track.time_s[::4], case.track.values[::4]), case.legs)


def test_an_exact_flight_is_exact() -> None:
    """On the path itself there is nothing but the distance between samples at corners."""
    value, above = by_leg(on_path(ROUND, hz=50.0)[0], ROUND)
    assert value < 0.05
    assert above < 0.05


@given(
    leash=st.floats(0, 5),
    points=st.lists(st.tuples(st.integers(-3, 3), st.integers(-3, 3)), min_size=1, max_size=8),
)
def test_decision_agrees_with_the_distance(leash: float, points: list[tuple[int, int]]) -> None:
    """Within a leash or not is what the distance itself says."""
    first, second = np.array(points, dtype=float), np.array([(0.0, 0.0), (2.0, 1.0), (0.0, 3.0)])
    distance = continuous_frechet(first, second)
    if abs(distance - leash) > 1e-9:
        assert is_within(first, second, leash) == (distance < leash)


@given(
    at=st.tuples(st.floats(-20, 20), st.floats(-20, 20), st.floats(-5, 5)),
    number=st.integers(0, len(ROUND) - 1),
)
def test_distance_from_a_leg_is_that_from_its_nearest_place(
    at: tuple[float, float, float], number: int
) -> None:
    """As many points on the leg as there may be, none is nearer."""
    point: FloatArray = np.array([at])
    nearest = float(geometry.leg_distance_m(point, ROUND[number])[0])
    sampled = float(np.linalg.norm(ROUND[number].points(0.01) - point, axis=1).min())
    assert nearest <= sampled + 1e-9
    assert sampled <= nearest + 0.006

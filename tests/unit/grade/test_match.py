"""Matching: order, exactness, independence of sampling and of time, and what is said of legs that nobody flew."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.grade.match import Matched, match, thinned
from asflown.record.series import Series
from asflown.scenario.path import PathLeg
from tests.unit.grade.paths import (
    BOXES,
    LAND,
    RETURN,
    ROUND,
    Waypoint,
    arc,
    climb,
    flown,
    hold,
    line,
    path,
    round_trip,
    shaken,
)

ARRIVALS_S = (5.0, 9.0, 12.0, 15.0, 18.0, 21.54, 24.54, 27.36, 30.36, 32.49)
"""When the exact round trip begins legs 2 to 11."""


def begins_s(matched: Matched) -> list[float]:
    """When each leg but the first begins."""
    return [leg.begin_s for leg in matched.legs[1:]]


def not_flown(track: Series, legs: tuple[PathLeg, ...] = ROUND) -> list[int]:
    """The numbers of the legs that were not flown."""
    return [leg.leg.index for leg in match(track, legs).not_flown()]


def test_exact_track_is_matched_to_its_own_legs() -> None:
    """A track that flies the path begins each leg when it does, to within the time that standing takes to show."""
    matched = match(round_trip(), ROUND)
    assert begins_s(matched) == pytest.approx(ARRIVALS_S, abs=0.25)
    assert all(leg.flown for leg in matched.legs)


def test_every_sample_belongs_to_one_leg() -> None:
    """The legs share the samples out without loss and without overlap, in order."""
    matched = match(round_trip(), ROUND)
    times = np.concatenate([matched.on(leg).time_s for leg in matched.legs])
    np.testing.assert_array_equal(times, matched.positions.time_s)


VARIANTS = {
    "exact": (round_trip(), []),
    "wandering by 0.3 m": (shaken(round_trip(), 0.3), []),
    "without stopping": (round_trip(stay_s=0.0), []),
    "twice as fast": (round_trip(speed=4.0), []),
    "first box left out": (round_trip(BOXES[1:]), [2, 3]),
    "second box left out": (round_trip(BOXES[:1] + BOXES[2:]), [4, 5]),
    "last box left out": (round_trip(BOXES[:3]), [8, 9]),
    "forward and right swapped": (
        round_trip(tuple((y, x, u) for x, y, u in BOXES)),
        [2, 3, 4, 5, 6, 7, 8, 9, 10],
    ),
    "left instead of right": (round_trip(tuple((x, -y, u) for x, y, u in BOXES)), [4, 5, 6, 7, 8, 9, 10]),
    "landed at the second box": (round_trip(BOXES[:2], land_at=(8, 6)), [6, 7, 8, 9, 10]),
    "never took off": (flown(((0, 0, 0.01), 0.01, 20.0)), [*range(1, 11)]),
}


@pytest.mark.parametrize(("track", "missing"), VARIANTS.values(), ids=VARIANTS.keys())
def test_legs_not_flown_are_those_a_person_would_name(track: Series, missing: list[int]) -> None:
    """Each wrong flight misses exactly the legs it left out; a bad flight of all legs misses none."""
    assert [index for index in not_flown(track) if index != 11] == missing


def test_swapped_flight_is_still_matched_leg_by_leg() -> None:
    """Forward and right swapped: each leg is laid on what was flown in its place, by its holds."""
    swapped = match(shaken(round_trip(tuple((y, x, u) for x, y, u in BOXES)), 0.2), ROUND)
    assert begins_s(swapped)[:9] == pytest.approx(ARRIVALS_S[:9], abs=0.5)


CROSSING = path(line(10, 10, 0), line(10, 0, 0), line(0, 10, 0))
"""The third leg crosses the first in the middle."""
THERE_AND_BACK = path(line(10, 0, 0), line(0, 0, 0), line(10, 0, 0))
TWICE_ROUND = path(arc((0, 5), math.tau), arc((0, 5), math.tau))


def on_path(
    legs: tuple[PathLeg, ...], speed_m_s: float = 2.0, hz: float = 10.0
) -> tuple[Series, list[float]]:
    """A track that flies exactly along `legs`, and the times at which legs begin."""
    points = np.concatenate([leg.points(0.02) for leg in legs])
    along_m = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    times = np.arange(0.0, along_m[-1] / speed_m_s, 1 / hz)
    values = [np.interp(times * speed_m_s, along_m, points[:, axis]) for axis in range(3)]
    lengths_m = np.cumsum([leg.length_m() for leg in legs])
    return Series(times, np.stack(values, axis=-1)), (lengths_m[:-1] / speed_m_s).tolist()


@pytest.mark.parametrize(
    "legs", [CROSSING, THERE_AND_BACK, TWICE_ROUND], ids=["crossing", "there and back", "twice round"]
)
def test_places_passed_more_than_once_stay_on_their_leg(legs: tuple[PathLeg, ...]) -> None:
    """Where the path comes by the same place again, each pass belongs to its own leg."""
    track, expected_s = on_path(legs)
    assert begins_s(match(track, legs)) == pytest.approx(expected_s, abs=0.15)


def test_leg_left_out_of_a_retraced_path_is_missed() -> None:
    """There and back once, where there, back and there is expected: two legs are not flown, or were not in order."""
    track, _ = on_path(THERE_AND_BACK[:2])
    assert not_flown(track, THERE_AND_BACK) == [3]


COORDINATES = st.integers(-20, 20).map(float)
CORNERS = st.lists(st.tuples(COORDINATES, COORDINATES), min_size=2, max_size=6)


def polygon(corners: list[tuple[float, float]]) -> tuple[PathLeg, ...]:
    """Lines from corner to corner; corners nearer than 3 m to the last one are left out."""
    legs, here = [], (0.0, 0.0)
    for corner in corners:
        if math.dist(corner, here) >= 3:
            legs.append(line(*corner, 0.0))
            here = corner
    return path(*legs) if legs else path(line(5, 0, 0))


@settings(max_examples=40)
@given(corners=CORNERS)
def test_a_track_on_any_path_is_matched_exactly(corners: list[tuple[float, float]]) -> None:
    """Flying any lines exactly begins each leg at its time, in order, with every leg flown."""
    legs = polygon(corners)
    track, expected_s = on_path(legs)
    matched = match(track, legs)
    assert begins_s(matched) == sorted(begins_s(matched))
    assert begins_s(matched) == pytest.approx(expected_s, abs=0.26)
    assert not matched.not_flown()


@settings(max_examples=40)
@given(seed=st.integers(0, 10**6), size_m=st.floats(0, 20))
def test_order_holds_for_any_track(seed: int, size_m: float) -> None:
    """However wild the track, legs follow each other in order and share all samples out."""
    random = np.random.default_rng(seed)
    times = np.cumsum(random.uniform(0.02, 0.6, 200))
    matched = match(Series(times, random.normal(0, size_m + 0.01, (200, 3))), ROUND)
    edges = [leg.begin_s for leg in matched.legs] + [matched.legs[-1].end_s]
    assert edges == sorted(edges)
    assert [leg.end_s for leg in matched.legs] == edges[1:]
    assert sum(len(matched.on(leg)) for leg in matched.legs) == 200


@pytest.mark.parametrize("hz", [4.0, 10.0, 25.0, 50.0, 100.0])
def test_sampling_rate_changes_nothing(hz: float) -> None:
    """The same flight reported more or less often is matched to the same times, to within its samples."""
    assert begins_s(match(round_trip(hz=hz), ROUND)) == pytest.approx(ARRIVALS_S, abs=0.25 + 0.5 / hz)


@given(begin_s=st.integers(0, 100_000))
@settings(max_examples=20)
def test_time_of_day_changes_nothing(begin_s: int) -> None:
    """A flight that begins later is matched in the same way, later."""
    early, late = match(round_trip(), ROUND), match(round_trip(begin_s=float(begin_s)), ROUND)
    shifted = [at_s - begin_s for at_s in begins_s(late)]
    assert shifted == pytest.approx(
        begins_s(early), abs=0.11
    )  # samples near a tenth of a second may fall either way


def test_one_sample_is_enough_to_say_what_is_missing() -> None:
    """A track of one position on the ground: nothing was flown."""
    assert not_flown(Series(np.array([3.0]), np.zeros((1, 3)))) == [*range(1, 12)]


def test_landing_is_the_vehicles_word() -> None:
    """A landing was flown when the vehicle says so, whatever height its drifting barometer shows."""
    low: list[Waypoint] = [((0, 0, 3), 1.0, 0.0), ((5, 0, 3), 2.0, 0.0), ((0, 0, 3), 2.0, 0.0)]
    drifted = flown(*low, ((0, 0, 1.2), 0.5, 3.0))
    legs = path(climb(3), line(5, 0, 3), RETURN, LAND)
    assert match(drifted, legs, landed=True).legs[-1].flown
    assert not match(drifted, legs, landed=False).legs[-1].flown


def test_hold_that_was_flown_through_is_flown() -> None:
    """Passing a hold without stopping is not leaving it out: how long it was is what dwell_at_holds measures."""
    legs = path(line(10, 0, 0), hold(3), line(20, 0, 0))
    track = flown(((20, 0, 0), 2.0, 0.0), stand_s=0.0)
    assert not_flown(track, legs) == []


def test_long_flights_are_matched_within_bounds() -> None:
    """Half an hour there and back is taken less often than ten times a second, and every turn is still found."""
    legs = path(*(line(200.0 * (number % 2 == 0), 0, 0) for number in range(9)))
    track, expected_s = on_path(legs, speed_m_s=1.0)
    assert len(thinned(track)) <= 6001
    assert begins_s(match(track, legs)) == pytest.approx(expected_s, abs=1.0)

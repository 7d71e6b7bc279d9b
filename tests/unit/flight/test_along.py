"""Which leg a flight is on, for those who watch it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.flight.along import Follower, leg_distance_m
from asflown.scenario.path import PathLeg

PATH = (
    PathLeg(1, "climb", "leg 1", (0, 0, 0), (0, 0, 3)),
    PathLeg(2, "line", "leg 2", (0, 0, 3), (8, 0, 3)),
    PathLeg(3, "hold", "leg 3", (8, 0, 3), (8, 0, 3), hold_s=3),
    PathLeg(4, "arc", "leg 4", (8, 0, 3), (8, 0, 3), (8, 4), math.tau, 4),
    PathLeg(5, "return", "leg 5", (8, 0, 3), (0, 0, 3)),
    PathLeg(6, "land", "leg 6", (0, 0, 3), (0, 0, 0)),
)
CIRCLE = [(8 + 4 * math.sin(turn / 4), 4 - 4 * math.cos(turn / 4), 3.0) for turn in range(1, 26)]
METRES = st.floats(-20, 20)


def test_every_leg_is_told_in_its_turn() -> None:
    """A path that comes back to where it was is followed in order: out, hold, a full circle, back and down."""
    follower = Follower(PATH)
    flown = [(0, 0, 0), (0, 0, 2), (0, 0, 2.9), (4, 0, 3), (7.8, 0, 3), (8, 0, 3), *CIRCLE, (8, 0, 3)]
    flown += [(4, 0, 3), (0.1, 0, 3), (0, 0, 1)]
    legs = [follower.see(place).leg for place in flown]
    assert sorted(set(legs)) == [1, 2, 3, 4, 5, 6]
    assert (legs[1], legs[3], legs[5], legs[12], legs[-3], legs[-1]) == (1, 2, 3, 4, 5, 6)


def test_a_hold_that_is_not_kept_does_not_stop_the_count() -> None:
    """Who flies past a hold without stopping is on the leg behind it."""
    follower = Follower(PATH)
    assert [follower.see(place).leg for place in ((0, 0, 0), (6, 0, 3), CIRCLE[6])] == [1, 2, 4]


@pytest.mark.parametrize(
    ("place", "off_m"),
    [((4, 2, 3), 2.0), ((4, 0, 5), 2.0), ((-3, 0, 3), 3.0)],
    ids=["side", "high", "behind"],
)
def test_the_distance_is_that_from_the_leg(place: tuple[float, float, float], off_m: float) -> None:
    """Beside, above and behind a straight leg the distance in space counts."""
    assert leg_distance_m(PATH[1], place) == pytest.approx(off_m)


@given(st.lists(st.tuples(METRES, METRES, METRES), min_size=1, max_size=30))
def test_the_leg_never_goes_back_and_the_distance_is_never_too_small(
    flown: list[tuple[float, float, float]],
) -> None:
    """Wherever a vehicle goes, its leg never falls, and it is not told nearer than the whole path is."""
    follower, last = Follower(PATH), 1
    for place in flown:
        along = follower.see(place)
        assert last <= along.leg <= len(PATH)
        assert along.off_m >= min(leg_distance_m(leg, place) for leg in PATH) - 1e-9
        last = along.leg


@given(METRES, METRES, METRES, st.floats(-6, 6).filter(lambda turn: abs(turn) > 0.1))
def test_no_place_of_an_arc_is_nearer_than_told(x_m: float, y_m: float, up_m: float, turn_rad: float) -> None:
    """The distance from an arc is that of the nearest of many places on it."""
    end = (4 * math.cos(turn_rad), 4 * math.sin(turn_rad), 3.0)
    arc = PathLeg(1, "arc", "leg 1", (4, 0, 3), end, (0, 0), turn_rad, 4)
    nearest_m = min(math.dist((x_m, y_m, up_m), place) for place in arc.points(0.02))
    assert leg_distance_m(arc, (x_m, y_m, up_m)) == pytest.approx(nearest_m, abs=0.02)

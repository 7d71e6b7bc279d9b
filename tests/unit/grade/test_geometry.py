"""Where points lie about a leg: right and left, along, above, on lines and arcs of either turn."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.grade import geometry
from asflown.scenario.path import PathLeg
from tests.unit.grade.paths import arc, climb, hold, line, path

FORWARD, RIGHTWARD = path(line(10, 0, 0), line(10, 10, 0))
RIGHT_TURN, LEFT_TURN = path(arc((0, 10), math.pi / 2))[0], path(arc((0, -10), -math.pi / 2))[0]
SLOPE = path(line(20, 0, 10))[0]
CLIMB, HOLD = path(climb(3), hold(2))

CROSS_TRACK = {
    "right of a leg forward": (FORWARD, (5, 2, 0), 2.0),
    "left of a leg forward": (FORWARD, (5, -2, 0), -2.0),
    "beyond its end": (FORWARD, (30, 1, 0), 1.0),
    "right of a leg to the right": (RIGHTWARD, (8, 5, 0), 2.0),
    "outside a right turn": (RIGHT_TURN, (0, -1, 0), -1.0),
    "inside a right turn": (RIGHT_TURN, (0, 1, 0), 1.0),
    "outside a left turn": (LEFT_TURN, (0, 1, 0), 1.0),
    "inside a left turn": (LEFT_TURN, (0, -1, 0), -1.0),
}


@pytest.mark.parametrize(("leg", "point", "expected_m"), CROSS_TRACK.values(), ids=CROSS_TRACK.keys())
def test_cross_track(leg: PathLeg, point: tuple[float, float, float], expected_m: float) -> None:
    """Right of the direction flown is positive, on straight legs and on turns of either hand."""
    assert geometry.cross_track_m(leg, np.array([point], float))[0] == pytest.approx(expected_m)


ALONG = {
    "start": (FORWARD, (0, 3, 0), 0.0),
    "middle": (FORWARD, (5, -3, 0), 0.5),
    "beyond": (FORWARD, (12, 0, 0), 1.2),
    "half a turn to the right": (RIGHT_TURN, (10 * math.sqrt(0.5), 10 - 10 * math.sqrt(0.5), 0), 0.5),
    "half a turn to the left": (LEFT_TURN, (10 * math.sqrt(0.5), -10 + 10 * math.sqrt(0.5), 0), 0.5),
    "just before a turn": (RIGHT_TURN, (-1, 0.1, 0), 0.0),
    "just behind a turn": (RIGHT_TURN, (9.9, 11, 0), 1.0),
    "half a climb": (CLIMB, (4, 4, 1.5), 0.5),
    "a hold has no length": (HOLD, (9, 9, 9), 0.0),
}


@pytest.mark.parametrize(("leg", "point", "expected"), ALONG.values(), ids=ALONG.keys())
def test_along_share(leg: PathLeg, point: tuple[float, float, float], expected: float) -> None:
    """The share of the leg that lies behind a point."""
    assert geometry.along_share(leg, np.array([point], float))[0] == pytest.approx(expected, abs=1e-9)


VERTICAL = {
    "level leg": (FORWARD, (5, 1, 0.5), 0.5),
    "half-way up a slope": (SLOPE, (10, 3, 4), -1.0),
    "before a slope": (SLOPE, (-5, 0, 1), 1.0),
    "beyond a slope": (SLOPE, (25, 0, 10), 0.0),
    "hold": (HOLD, (1, 1, 2.5), -0.5),
}


@pytest.mark.parametrize(("leg", "point", "expected_m"), VERTICAL.values(), ids=VERTICAL.keys())
def test_vertical(leg: PathLeg, point: tuple[float, float, float], expected_m: float) -> None:
    """Too high is positive, against the height of the nearest place seen from above."""
    assert geometry.vertical_m(leg, np.array([point], float))[0] == pytest.approx(expected_m)


@given(turn=st.floats(-6, 6).filter(lambda turn: abs(turn) > 0.1), radius_m=st.floats(1, 50))
def test_points_of_a_leg_lie_on_it(turn: float, radius_m: float) -> None:
    """The points of any arc have no error, and go from 0 to 1 along it."""
    (leg,) = path(arc((0, math.copysign(radius_m, turn)), turn))
    points = leg.points(0.1)
    assert geometry.cross_track_m(leg, points) == pytest.approx(0, abs=1e-9)
    assert geometry.vertical_m(leg, points) == pytest.approx(0, abs=1e-9)
    share = geometry.along_share(leg, points)[1:-1]
    assert share == pytest.approx(np.linspace(0, 1, len(points))[1:-1], abs=1e-6)


def test_what_leads_up_has_no_sides() -> None:
    """Nothing lies right or left of a climb or a hold."""
    assert [geometry.has_sides(leg) for leg in (FORWARD, RIGHT_TURN, SLOPE, CLIMB, HOLD)] == [
        True,
        True,
        True,
        False,
        False,
    ]

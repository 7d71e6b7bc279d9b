"""Legs drawn from a track: corners and holds where they were flown, in the start-heading frame."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from asflown.errors import FolderProblem
from asflown.record.drawn_path import DrawnLeg, draw_path
from asflown.record.series import Anchors, Series, Track


def track(
    *stops: tuple[float, float, float, float], speed_m_s: float = 2.0, heading_deg: float = 0.0
) -> Track:
    """A vehicle that goes straight from stop to stop (forward, right, up in metres) and waits there (seconds)."""
    points: list[np.ndarray] = []
    for before, after in pairwise(stops):
        begin, end = np.array(before[:3]), np.array(after[:3])
        count = max(2, round(float(np.linalg.norm(end - begin)) / speed_m_s * 20))
        points += [begin + (end - begin) * share for share in np.linspace(0, 1, count)]
        points += [end] * round(after[3] * 20)
    forward, right, up = np.array(points).T
    turn = math.radians(heading_deg)
    north = forward * math.cos(turn) - right * math.sin(turn)
    east = forward * math.sin(turn) + right * math.cos(turn)
    times = np.arange(len(points)) / 20.0
    positions = Series(times, np.stack([north, east, -up], axis=-1))
    anchors = Anchors(0.0, (0.0, 0.0, 0.0), turn, "as set")
    return Track("estimate", positions, positions, None, {}, anchors, float(times[-1]))


GROUND, TOP = (0.0, 0.0, 0.0, 1.0), (0.0, 0.0, 3.0, 0.5)
SQUARE = (GROUND, TOP, (8.0, 0.0, 3.0, 4.0), (8.0, 6.0, 3.0, 0.0), (0.0, 0.0, 3.0, 0.5), GROUND)


@pytest.mark.parametrize("heading_deg", [0.0, 30.0, 250.0], ids=str)
def test_corners_and_holds_are_found(heading_deg: float) -> None:
    """A known path gives its own legs back, whatever the start heading; a corner without a stop counts, too."""
    legs = draw_path(track(*SQUARE, heading_deg=heading_deg)).legs
    assert [leg.kind for leg in legs] == ["climb", "line", "hold", "line", "return", "land"]
    assert legs[1].to_m == pytest.approx((8.0, 0.0, 3.0), abs=0.11)
    assert legs[1].speed_m_s == pytest.approx(2.0, abs=0.11)
    assert 3.0 <= legs[2].for_s <= 4.0
    assert legs[3].to_m == pytest.approx((8.0, 6.0, 3.0), abs=0.25)


def test_a_flight_that_ends_elsewhere_is_not_brought_home() -> None:
    """Its last leg is a line, then the landing."""
    legs = draw_path(track(GROUND, TOP, (20.0, 5.0, 3.0, 0.5), (20.0, 5.0, 0.0, 1.0))).legs
    assert [leg.kind for leg in legs] == ["climb", "line", "land"]


def test_a_flight_cut_off_in_the_air_has_no_landing() -> None:
    """What was not captured is not drawn."""
    legs = draw_path(track(GROUND, TOP, (9.0, 0.0, 3.0, 0.0))).legs
    assert [leg.kind for leg in legs] == ["climb", "line"]


def test_straight_up_and_down_are_climbs() -> None:
    """A dip over one place is drawn as a climb down and one up again."""
    dip = (
        GROUND,
        TOP,
        (9.0, 0.0, 6.0, 3.0),
        (9.2, 0.0, 3.0, 3.0),
        (9.0, 0.0, 6.0, 3.0),
        (9.0, 0.0, 0.0, 1.0),
    )
    legs = draw_path(track(*dip)).legs
    assert [leg.kind for leg in legs] == ["climb", "line", "hold", "climb", "hold", "climb", "hold", "land"]
    assert isinstance(legs[3], DrawnLeg)


def test_a_flight_on_the_ground_is_refused() -> None:
    """There is nothing to draw."""
    with pytest.raises(FolderProblem, match="never left the ground"):
        draw_path(track(GROUND, (0.3, 0.0, 0.1, 5.0)))

"""The words for legs that were flown or not, for what was flown instead, and for what nobody knows."""

from __future__ import annotations

import pytest

from asflown.grade.legs_flown import which_legs
from asflown.grade.match import match
from asflown.record.series import Series
from tests.unit.grade.paths import BOXES, ROUND, climb, flown, hold, line, path, round_trip

HERE_AND_THERE = path(line(10, 0, 0), hold(2), line(10, 8, 0), hold(2), line(0, 8, 0))
STRAIGHT = flown(((10, 0, 0), 2.0, 2.0), ((0, 8, 0), 2.0, 0.0), stand_s=0.0)
BY_ELSEWHERE = flown(((10, 0, 0), 2.0, 2.0), ((20, 0, 0), 2.0, 0.0), ((0, 8, 0), 2.0, 0.0), stand_s=0.0)


def said(track: Series) -> str:
    return which_legs(match(track, HERE_AND_THERE))


def test_all_legs() -> None:
    """Nothing to tell but their number."""
    assert which_legs(match(round_trip(), ROUND)) == "all 11 legs were flown"
    assert which_legs(match(flown(((0, 0, 3), 1.0, 0.0)), path(climb(3)))) == "the only leg was flown"


def test_straight_on_instead_of_two_legs() -> None:
    """Two legs left out for a straight line: from where to where, and when."""
    assert said(STRAIGHT) == (
        "leg 3 (line to 10, 8, 0 m) was not flown: nearest to its end was 6.25 m, at 9.5 s; nor was leg 4;"
        " instead of legs 3 and 4 it flew from 10.0, 0.0, 0.0 m straight to the end of leg 5, 0.0, 8.0, 0.0 m,"
        " from 7.0 s to 13.4 s"
    )


def test_another_place_instead() -> None:
    """A place that is on no leg is named as the way there."""
    assert (
        "instead of legs 3 and 4 it flew from 10.0, 0.0, 0.0 m by way of 20.0, 0.0, 0.0 m to the end of leg 5"
        in said(BY_ELSEWHERE)
    )


def test_the_flight_that_ended_early() -> None:
    """Legs behind the end of the flight were replaced by nothing."""
    assert said(flown(((10, 0, 0), 2.0, 2.0), stand_s=0.0)).endswith(
        "nor were legs 4 and 5; instead of legs 3 to 5 the flight ended, at 7.0 s"
    )


def test_runs_of_legs_are_told_one_by_one() -> None:
    """Two legs left out at either end of the flight are two things that went wrong."""
    words = which_legs(match(round_trip((BOXES[0], BOXES[2])), ROUND))
    assert "instead of legs 4 and 5" in words
    assert "instead of legs 8 and 9" in words


@pytest.mark.parametrize(
    ("silent_s", "words"),
    [
        ((3.0, 4.5), "all 5 legs were flown; there are no positions for 1.6 s from 3.0 s"),
        (
            (6.0, 16.0),
            "no leg is known to be left out; there are no positions where leg 3 (line to 10, 8, 0 m) should be",
        ),
    ],
    ids=["on a leg", "over a leg"],
)
def test_gaps_are_told(silent_s: tuple[float, float], words: str) -> None:
    """Where nothing was heard is said, also when all legs are known to have been flown."""
    track = flown(((10, 0, 0), 2.0, 2.0), ((10, 8, 0), 2.0, 2.0), ((0, 8, 0), 2.0, 2.0), stand_s=0.0)
    kept = (track.time_s < silent_s[0]) | (track.time_s > silent_s[1])
    assert said(Series(track.time_s[kept], track.values[kept])) == words

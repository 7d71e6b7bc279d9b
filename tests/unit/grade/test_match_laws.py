"""Laws of the matching, on any path of lines, arcs, climbs, holds, retraced legs and laps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from asflown.grade.match import match
from asflown.record.series import Series
from asflown.scenario.path import PathLeg
from tests.unit.grade.awkward import along
from tests.unit.grade.paths import Waypoint, arc, climb, flown, hold, line, path, shaken

Corner = tuple[float, float]
PLACES = st.tuples(st.integers(-20, 20).map(float), st.integers(-20, 20).map(float))
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("line"), PLACES),
        st.tuples(st.just("back"), st.none()),
        st.tuples(st.just("hold"), st.integers(2, 6)),
        st.tuples(st.just("climb"), st.integers(2, 8)),
        st.tuples(st.just("arc"), st.tuples(st.integers(3, 6), st.sampled_from([-2, -1, 1, 2, 4, -4]))),
    ),
    min_size=1,
    max_size=7,
)


def built(steps: list[tuple[str, Any]]) -> tuple[PathLeg, ...]:
    """A path of these steps; what leads nowhere, or follows another of its kind on the spot, is left out."""
    legs: list[dict[str, Any]] = [line(5, 0, 0)]
    for kind, value in steps:
        here = path(*legs)[-1]
        x_m, y_m, u_m = here.end_xyu_m
        if kind == "line" and math.dist((x_m, y_m), value) >= 3:
            legs.append(line(*value, u_m))
        elif kind == "back" and here.length_m() >= 3 and here.kind == "line":
            legs.append(line(*here.start_xyu_m))
        elif kind == "hold" and here.kind != "hold":
            legs.append(hold(float(value)))
        elif kind == "climb" and here.kind not in {"climb", "hold"} and abs(value - u_m) >= 2:
            legs.append(climb(float(value)))
        elif kind == "arc":
            legs.append(arc((x_m + value[0], y_m), value[1] * math.pi / 2))
    return path(*legs)


def begins_s(track: Series, legs: tuple[PathLeg, ...]) -> list[float]:
    return [leg.begin_s for leg in match(track, legs).legs]


@settings(max_examples=40)
@given(steps=STEPS)
def test_exact_on_the_path_itself(steps: list[tuple[str, Any]]) -> None:
    """Whatever the path, a flight along it begins each leg when it does, and leaves none out."""
    legs = built(steps)
    track, begins = along(legs)
    matched = match(track, legs)
    assert [leg.begin_s for leg in matched.legs] == pytest.approx(begins, abs=0.5)
    assert not matched.not_flown()


@settings(max_examples=30)
@given(steps=STEPS, hz=st.sampled_from([4.0, 8.0, 25.0, 50.0, 100.0]), seed=st.integers(0, 1000))
def test_sampling_rate_does_not_matter(steps: list[tuple[str, Any]], hz: float, seed: int) -> None:
    """The same wandering flight sampled more or less often has its legs at the same times."""
    legs = built(steps)
    fine = shaken(along(legs, hz=100.0)[0], 0.1, seed)
    times = np.arange(fine.time_s[0], fine.time_s[-1], 1 / hz)
    coarse = Series(times, np.stack([np.interp(times, fine.time_s, c) for c in fine.values.T], axis=-1))
    assert begins_s(coarse, legs) == pytest.approx(begins_s(fine, legs), abs=0.3 + 1 / hz)


@settings(max_examples=20)
@given(steps=STEPS, shift_s=st.integers(-1_000, 2_000_000_000), seed=st.integers(0, 1000))
def test_time_does_not_matter(steps: list[tuple[str, Any]], shift_s: int, seed: int) -> None:
    """The same flight at another time has its legs then, to a sample."""
    legs = built(steps)
    track = shaken(along(legs)[0], 0.2, seed)
    later = begins_s(Series(track.time_s + shift_s, track.values), legs)
    assert [at_s - shift_s for at_s in later] == pytest.approx(begins_s(track, legs), abs=0.11)


CORNERS = st.lists(
    st.tuples(st.integers(-2, 2), st.integers(-2, 2)).filter(any), min_size=4, max_size=6, unique=True
).map(lambda places: [(9.0 * x, 9.0 * y) for x, y in places])
"""Different corners of a wide grid, and not its middle, where all flights begin."""


def lines(corners: list[Corner]) -> tuple[PathLeg, ...]:
    return path(*(line(x_m, y_m, 0.0) for x_m, y_m in corners))


def to(corners: list[Corner]) -> Series:
    points: list[Waypoint] = [((x_m, y_m, 0.0), 2.0, 0.0) for x_m, y_m in corners]
    return flown(*points, ((*corners[-1], 0.0), 1.0, 2.0), stand_s=0.0)


def off_line_m(place: Corner, start: Corner, end: Corner) -> float:
    """How far a place is from the straight line between two others."""
    step, away = np.subtract(end, start), np.subtract(place, start)
    share = np.clip(away @ step / max(float(step @ step), 1e-9), 0, 1)
    return float(np.linalg.norm(away - share * step))


@settings(max_examples=40)
@given(corners=CORNERS, data=st.data())
def test_a_corner_left_out_is_named(corners: list[Corner], data: st.DataObject) -> None:
    """The leg to a corner that was passed by far is named; what is named with it are legs in a row with it.

    Which these are is open where legs lie on each other: the flown one is as near to a later one.
    """
    left_out = data.draw(st.integers(1, len(corners) - 1))
    flown_corners = corners[: left_out - 1] + corners[left_out:]
    ways = list(zip([(0.0, 0.0), *flown_corners], flown_corners, strict=False))
    assume(all(off_line_m(corners[left_out - 1], *way) > 7 for way in ways))
    missing = [leg.leg.index for leg in match(to(flown_corners), lines(corners)).not_flown()]
    assert left_out in missing
    assert missing == list(range(missing[0], missing[-1] + 1))


@settings(max_examples=40)
@given(corners=CORNERS, aside=PLACES, data=st.data())
def test_a_way_that_nobody_asked_for_leaves_no_leg_out(
    corners: list[Corner], aside: Corner, data: st.DataObject
) -> None:
    """Going somewhere else in the middle of a leg and coming back is not leaving a leg out."""
    stops = [(0.0, 0.0), *corners]
    number = data.draw(st.integers(1, len(corners)))
    middle = tuple(np.add(stops[number - 1], stops[number]) / 2)
    way = [*corners[: number - 1], middle, aside, middle, *corners[number - 1 :]]
    assert not match(to(way), lines(corners)).not_flown()

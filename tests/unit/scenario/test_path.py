"""Legs laid end to end: names, ends, arcs, frames, and what makes no sense."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.errors import LegProblem
from asflown.frames import TangentPlane
from asflown.scenario.model import ExpectedPath, Home
from asflown.scenario.path import PathLeg, resolve_path


def resolved(*legs: dict[str, Any], frame: str = "start-heading") -> tuple[PathLeg, ...]:
    return resolve_path(ExpectedPath.model_validate({"frame": frame, "legs": legs}), Home())


CLIMB = {"climb": {"to": "3 m"}}


def test_each_leg_begins_where_the_last_ended() -> None:
    """Climb, line, hold, return and land are laid end to end from the ground at the start point."""
    legs = resolved(
        CLIMB, {"line": {"to": ["8 m", "6 m", "3 m"]}}, {"hold": {"for": "3 s"}}, {"return": {}}, {"land": {}}
    )
    assert [leg.name for leg in legs] == [
        "leg 1 (climb to 3 m)",
        "leg 2 (line to 8, 6, 3 m)",
        "leg 3 (hold for 3 s)",
        "leg 4 (return)",
        "leg 5 (land)",
    ]
    assert [leg.start_xyu_m for leg in legs] == [(0, 0, 0), (0, 0, 3), (8, 6, 3), (8, 6, 3), (0, 0, 3)]
    assert legs[-1].end_xyu_m == pytest.approx((0, 0, 0))
    assert [leg.length_m() for leg in legs] == [3, 10, 0, 10, 3]


def test_land_is_straight_down() -> None:
    """Landing away from the start point ends on the ground below."""
    legs = resolved(CLIMB, {"line": {"to": ["1 m", "7 m", "3 m"]}}, {"land": {}})
    assert legs[-1].end_xyu_m == (1, 7, 0)


@pytest.mark.parametrize(
    ("turn", "end_xy_m"),
    [("90 deg", (5, -5)), ("-90 deg", (5, 5)), ("180 deg", (10, 0)), ("360 deg", (0, 0))],
)
def test_arc_turns_to_the_right(turn: str, end_xy_m: tuple[float, float]) -> None:
    """Seen from above a positive turn is clockwise: from south of the centre it leads west, which is left."""
    arc = resolved(CLIMB, {"arc": {"around": ["5 m", "0 m"], "turn": turn, "speed": "2 m/s"}})[1]
    assert arc.end_xyu_m == pytest.approx((*end_xy_m, 3), abs=1e-12)
    assert arc.length_m() == pytest.approx(5 * abs(math.radians(float(turn.removesuffix(" deg")))))


def test_points_of_a_line_hold_the_spacing() -> None:
    """Both ends are there, steps are equal and none is longer than asked for."""
    points = resolved(CLIMB, {"line": {"to": ["8 m", "6 m", "3 m"]}})[1].points(0.3)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    assert (tuple(points[0]), tuple(points[-1])) == ((0, 0, 3), (8, 6, 3))
    assert steps == pytest.approx(np.full(34, 10 / 34))


def test_points_of_an_arc_lie_on_its_circle() -> None:
    """Every point keeps the radius and the height, and the last is the leg's end."""
    arc = resolved(CLIMB, {"arc": {"around": ["5 m", "2 m"], "turn": "-270 deg"}})[1]
    points = arc.points(0.1)
    assert np.hypot(points[:, 0] - 5, points[:, 1] - 2) == pytest.approx(np.full(len(points), arc.radius_m))
    assert points[-1] == pytest.approx(np.array(arc.end_xyu_m))
    assert set(points[:, 2]) == {3.0}


def test_a_hold_is_one_point() -> None:
    """A leg without length has one point, where it is."""
    assert resolved(CLIMB, {"hold": {"for": "3 s"}})[1].points(0.1).tolist() == [[0, 0, 3]]


@given(st.floats(-500, 500), st.floats(-500, 500), st.floats(1, 120))
def test_geodetic_places_are_laid_on_the_plane_at_home(north_m: float, east_m: float, up_m: float) -> None:
    """A point given by latitude and longitude lands where the tangent plane has it; up stays up within 4 cm."""
    latitude, longitude, _ = TangentPlane(52.0, 4.5, 0.0).to_geodetic(north_m, east_m, -up_m)
    to = {"latitude": f"{latitude:.12f} deg", "longitude": f"{longitude:.12f} deg", "up": f"{up_m:.9f} m"}
    line = resolved({"line": {"to": to}}, frame="geodetic")[0]
    assert line.end_xyu_m[:2] == pytest.approx((north_m, east_m), abs=1e-2)
    assert line.end_xyu_m[2] == pytest.approx(up_m, abs=0.04)


def test_geodetic_arc_has_its_centre_on_the_plane() -> None:
    """A centre given by latitude and longitude is as far away as the plane says."""
    around = {"latitude": "52.0001 deg", "longitude": "4.5 deg"}
    legs = resolved(CLIMB, {"arc": {"around": around, "turn": "90 deg"}}, frame="geodetic")
    assert legs[1].radius_m == pytest.approx(11.1267, abs=1e-3)
    assert legs[1].name == "leg 2 (arc of 90 deg round 52.0001 deg, 4.5 deg)"


BAD = {
    "two kinds": (
        [{**CLIMB, "land": {}}],
        "start-heading",
        "leg 1 has climb and land. Give each leg exactly one of climb, line, arc, hold, return, land",
    ),
    "no kind": (
        [CLIMB, {}],
        "start-heading",
        "leg 2 has no kind. Give each leg exactly one of climb, line, arc, hold, return, land",
    ),
    "line to nowhere": (
        [CLIMB, {"line": {"to": ["0 m", "0 m", "3 m"]}}],
        "north-east",
        "leg 2 (line to 0, 0, 3 m) ends where it begins. Change where it leads, or use `hold`",
    ),
    "arc round itself": (
        [CLIMB, {"arc": {"around": ["0 m", "0 m"], "turn": "90 deg"}}],
        "start-heading",
        (
            "leg 2 (arc of 90 deg round 0, 0 m) leads nowhere. "
            "Set its centre away from where the leg before it ends, and turn"
        ),
    ),
    "line to the moon": (
        [CLIMB, {"line": {"to": ["400000 km", "0 m", "3 m"]}}],
        "north-east",
        "leg 2 (line to 4e+08, 0, 3 m) is longer than 100 km. Check its units and where it leads",
    ),
    "arc without end": (
        [CLIMB, {"arc": {"around": ["5 m", "0 m"], "turn": "1e20 deg"}}],
        "start-heading",
        "leg 2 (arc of 1e+20 deg round 5, 0 m) is longer than 100 km. Check its units and where it leads",
    ),
    "metres in geodetic": (
        [CLIMB, {"line": {"to": ["8 m", "0 m", "3 m"]}}],
        "geodetic",
        (
            "leg 2 is written in metres, and the frame is `geodetic`. "
            "Write it in degrees, such as `{latitude: 52.0 deg, longitude: 4.5 deg, up: 3 m}`"
        ),
    ),
    "geodetic in metres": (
        [CLIMB, {"line": {"to": {"latitude": "52 deg", "longitude": "4.5 deg", "up": "3 m"}}}],
        "north-east",
        (
            "leg 2 is written in latitude and longitude, and the frame is `north-east`. "
            "Write it in metres, such as `[8 m, 0 m, 3 m]`, or set `frame: geodetic`"
        ),
    ),
}


@pytest.mark.parametrize(("legs", "frame", "message"), BAD.values(), ids=BAD.keys())
def test_leg_that_makes_no_sense_is_named(legs: list[dict[str, Any]], frame: str, message: str) -> None:
    """The whole message, and the number of the leg."""
    with pytest.raises(LegProblem) as refused:
        resolved(*legs, frame=frame)
    assert str(refused.value) == message
    assert refused.value.leg == len(legs)

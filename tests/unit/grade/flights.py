"""Graded flights for tests: a scenario, flights of it written as real folders, and their grades."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from asflown.grade.grade import grade_flight
from asflown.grade.result import Grade, Measured, RuleGraded
from asflown.record.series import Series
from asflown.scenario.model import Scenario
from tests.unit.grade.paths import BOXES, LAND, RETURN, climb, hold, line
from tests.unit.record.flown import Flight, write_flight

HEADING_RAD = math.radians(30)
START_NED_M = (1.0, -2.0, 0.0)
"""Where the vehicle stands at arming, about the origin of its estimate."""

LEGS = [climb(3), *(leg for box in BOXES for leg in (line(*box, speed=2.0), hold(3))), RETURN, LAND]
MEASURES: dict[str, Any] = {
    "cross_track_p95": {"at_most": 0.8},
    "vertical_p95": {"at_most": 0.5},
    "dwell_at_holds": {"at_least": 2.5},
    "landing_offset": {"at_most": 1.0},
    "duration": {"between": (25.0, 60.0)},
    "speed_on_legs": {"at_most": 0.5},
}
RULES: list[dict[str, str]] = [
    {"name": "ceiling", "always": "height < 4.5 m"},
    {"name": "climbs promptly", "formula": "eventually[0 s, 12 s] (height > 2.8 m)"},
    {
        "name": "lands before reserve",
        "formula": "always (battery < 20 % implies eventually[0 s, 15 s] on_ground)",
    },
]


def scenario(**expect: Any) -> Scenario:
    """Round the four boxes and home; `expect` replaces parts of what is expected."""
    expected = {"path": {"legs": LEGS}, "measures": MEASURES, "rules": RULES} | expect
    script = {"run": ["python", "fly.py"], "time_limit": 120.0}
    return Scenario.model_validate({"asflown": 1, "name": "round", "script": script, "expect": expected})


def flight_of(track: Series, **more: Any) -> Flight:
    """A flight along `track`, which is forward, right and up of a vehicle that looks along HEADING_RAD."""
    off_ground = np.flatnonzero(track.values[:, 2] > 0.02)
    lift_off_s, touch_down_s = (float(track.time_s[off_ground[end]]) for end in (0, -1))
    sine, cosine = math.sin(HEADING_RAD), math.cos(HEADING_RAD)

    def ned_m(now_s: float) -> tuple[float, float, float]:
        forward, right, up = (
            float(np.interp(now_s, track.time_s, track.values[:, axis])) for axis in range(3)
        )
        north, east = cosine * forward - sine * right, sine * forward + cosine * right
        return START_NED_M[0] + north, START_NED_M[1] + east, -up

    settings: dict[str, Any] = {
        "end_s": float(track.time_s[-1]),
        "armed_s": (lift_off_s - 1.0, touch_down_s + 1.0),
        "air_s": (lift_off_s, touch_down_s),
        "yaw_rad": lambda _: HEADING_RAD,
    }
    return Flight(ned_m, **(settings | more))


def grade_of(folder: Path, track: Series, expected: Scenario | None = None, **more: Any) -> Grade:
    """The grade of a flight along `track`, written to `folder`."""
    return grade_flight(write_flight(folder, flight_of(track, **more)), expected or scenario())


def measured(grade: Grade, name: str) -> Measured:
    """The measure `name` of a grade."""
    return next(one for one in grade.measures if one.name == name)


def ruled(grade: Grade, name: str) -> RuleGraded:
    """The rule `name` of a grade."""
    return next(one for one in grade.rules if one.name == name)

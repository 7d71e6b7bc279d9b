"""Long invented captures: a vehicle that goes round a rectangle for as long as is wanted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from pymavlink.dialects.v20 import development as mavlink

from asflown.frames import FloatArray
from asflown.grade.evidence import evidence
from asflown.grade.measures import TABLE, measure
from asflown.grade.rules import grade_rule
from asflown.record.track import load_track
from asflown.scenario.measure_names import MEASURES
from asflown.scenario.model import ExpectedPath, Home, Leg, Limit, Rule
from asflown.scenario.path import resolve_path

EPOCH_US = 1_735_689_600_000_000
SPEED_M_S, LONG_M, SHORT_M, HEIGHT_M = 5.0, 60.0, 40.0, 10.0
ROUND_M = 2 * (LONG_M + SHORT_M)
CORNERS = np.array([(0, 0), (LONG_M, 0), (LONG_M, SHORT_M), (0, SHORT_M), (0, 0)], dtype=float)
RULES = (
    "always height < 12 m", "eventually[0 s, 30 s] height > 9 m", "always speed < 7 m/s", "always tilt < 40 deg",
    "always (battery < 20 % implies eventually[0 s, 15 s] on_ground)", "always abs(cross_track) < 3 m",
    "always (height > 5 m implies armed)", "once[0 s, 5 s] on_ground", "always at leg 3, height < 12 m",
    "height < 9 m until[0 s, 30 s] height > 8 m",
)  # fmt: skip


def place_m(now_s: float, end_s: float) -> tuple[float, float, float]:
    """North, east, down: up for 10 s, round and round, down in the last 12 s."""
    moving_s = min(max(now_s - 12, 0.0), end_s - 26)
    along = np.array([0, LONG_M, LONG_M + SHORT_M, 2 * LONG_M + SHORT_M, ROUND_M])
    north, east = (
        float(np.interp(moving_s * SPEED_M_S % ROUND_M, along, CORNERS[:, axis])) for axis in (0, 1)
    )
    up_m = min(max(now_s - 2, 0.0), HEIGHT_M, max(end_s - 2 - now_s, 0.0))
    return north + 0.2 * np.sin(now_s), east + 0.2 * np.cos(now_s / 3) - 0.2, -up_m


def write_capture(path: Path, seconds: int, hz: int = 50) -> Path:
    """A tlog of LOCAL_POSITION_NED and ATTITUDE at `hz`, and of the state at 1 Hz."""
    link = mavlink.MAVLink(None, srcSystem=1, srcComponent=1)
    with path.open("wb") as out:
        for number in range(seconds * hz):
            now_s = number / hz
            messages = _often(now_s, seconds) + (_seldom(now_s, seconds) if number % hz == 0 else [])
            for place, message in enumerate(messages):
                stamp_us = EPOCH_US + round(now_s * 1e6) + place
                out.write(stamp_us.to_bytes(8, "big") + bytes(message.pack(link)))
    return path


def _often(now_s: float, end_s: float) -> list[Any]:
    here, later = np.array(place_m(now_s, end_s)), np.array(place_m(now_s + 0.02, end_s))
    velocity = (later - here) / 0.02
    boot_ms = round(now_s * 1000)
    return [
        mavlink.MAVLink_local_position_ned_message(boot_ms, *here.tolist(), *velocity.tolist()),
        mavlink.MAVLink_attitude_message(boot_ms, 0.05, 0.1 * np.sin(now_s), 0.0, 0, 0, 0),
    ]


def _seldom(now_s: float, end_s: float) -> list[Any]:
    armed = 128 if 1 <= now_s < end_s - 1 else 0
    landed = 2 if 2 <= now_s < end_s - 2 else 1
    charge = round(100 - 70 * now_s / end_s)
    return [
        mavlink.MAVLink_heartbeat_message(2, 0, armed, 0, 4, 3),
        mavlink.MAVLink_sys_status_message(0, 0, 0, 0, 12_000, -1, charge, 0, 0, 0, 0, 0, 0),
        mavlink.MAVLink_extended_sys_state_message(0, landed),
    ]


def expected_legs(seconds: float) -> list[dict[str, Any]]:
    """Climb, as many legs as are flown in that time, land."""
    sides = [(60.0, 0.0, 10.0), (60.0, 40.0, 10.0), (0.0, 40.0, 10.0), (0.0, 0.0, 10.0)]
    left_m, legs, number = (seconds - 26) * SPEED_M_S, [{"climb": {"to": HEIGHT_M}}], 0
    while left_m > 1:
        length_m = LONG_M if number % 2 == 0 else SHORT_M
        start, end = np.array(sides[number % 4 - 1]), np.array(sides[number % 4])
        to = (start + (end - start) * min(1.0, left_m / length_m)).tolist()
        legs.append({"line": {"to": to, "speed": SPEED_M_S}})
        left_m, number = left_m - length_m, number + 1
    return [*legs, {"land": {}}]


def grade_long_flight(seconds: int) -> Callable[[], FloatArray]:
    """A call that matches and grades such a flight by all measures and ten rules; the track is read beforehand."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        track = load_track(write_capture(Path(folder) / "long.tlog", seconds))
    legs = [Leg.model_validate(leg) for leg in expected_legs(seconds)]
    path = resolve_path(ExpectedPath(frame="north-east", legs=tuple(legs)), Home())
    limits = {name: Limit(at_most=1.0) for name in MEASURES}

    def run() -> FloatArray:
        found = evidence(track, "north-east", path, limits)
        signals = found.signals()
        values = [measure(name, limits[name], found).value for name in TABLE]
        graded = [
            grade_rule(Rule(name=text, formula=text), signals, "estimate", track.anchors.at_s)
            for text in RULES
        ]
        return np.array([value or 0.0 for value in [*values, *(rule.robustness for rule in graded)]])

    return run

"""Invented expected paths, and tracks that fly them exactly, badly or in part."""

from __future__ import annotations

from typing import Any

import numpy as np

from asflown.frames import FloatArray
from asflown.record.series import Series
from asflown.scenario.model import ExpectedPath, Home, Leg
from asflown.scenario.path import PathLeg, resolve_path

Waypoint = tuple[tuple[float, float, float], float, float]
"""Where to (x, y, u in metres), how fast (m/s), and how long to stay there (s)."""


def path(*legs: dict[str, Any], frame: str = "start-heading") -> tuple[PathLeg, ...]:
    """The path of legs written as in a scenario, in SI numbers."""
    expected = ExpectedPath.model_validate(
        {"frame": frame, "legs": [Leg.model_validate(leg) for leg in legs]}
    )
    return resolve_path(expected, Home())


def line(*to: float, speed: float | None = None) -> dict[str, Any]:
    return {"line": {"to": to, "speed": speed}}


def climb(to: float) -> dict[str, Any]:
    return {"climb": {"to": to}}


def hold(seconds: float) -> dict[str, Any]:
    return {"hold": {"for": seconds}}


def arc(around: tuple[float, float], turn_rad: float) -> dict[str, Any]:
    return {"arc": {"around": around, "turn": turn_rad}}


RETURN: dict[str, Any] = {"return": {}}
LAND: dict[str, Any] = {"land": {}}

BOXES = ((8.0, 0.0, 3.0), (8.0, 6.0, 3.0), (1.0, 7.0, 3.0), (-3.0, 3.0, 3.0))
ROUND = path(
    climb(3), *(leg for box in BOXES for leg in (line(*box, speed=2.0), hold(3))), RETURN, LAND
)  # fmt: skip
"""Climb (1), four lines with a hold after each (2 to 9), return (10), land (11)."""


def flown(*waypoints: Waypoint, hz: float = 20.0, begin_s: float = 0.0, stand_s: float = 2.0) -> Series:
    """Positions of something that goes straight from waypoint to waypoint, first standing on the ground a while."""
    times, points, now_s, here = [begin_s], [np.zeros(3)], begin_s + stand_s, np.zeros(3)
    times.append(now_s)
    points.append(here)
    for to, speed_m_s, stay_s in waypoints:
        there = np.array(to)
        now_s += float(np.linalg.norm(there - here)) / speed_m_s
        times += [now_s, now_s + max(stay_s, 1e-9)]
        points += [there, there]
        now_s, here = now_s + max(stay_s, 1e-9), there
    sampled = np.arange(begin_s, now_s, 1 / hz)
    corners = np.array(points)
    values = [np.interp(sampled, times, corners[:, axis]) for axis in range(3)]
    return Series(sampled, np.stack(values, axis=-1))


def round_trip(
    boxes: tuple[tuple[float, float, float], ...] = BOXES,
    *,
    speed: float = 2.0,
    stay_s: float = 3.0,
    land_at: tuple[float, float] = (0.0, 0.0),
    hz: float = 20.0,
    begin_s: float = 0.0,
) -> Series:
    """The path ROUND as flown: up, to each box, back (or elsewhere), down, and two seconds on the ground."""
    height_m = boxes[0][2]
    waypoints: list[Waypoint] = [((0, 0, height_m), 1.0, 0.0)]
    waypoints += [(box, speed, stay_s) for box in boxes]
    waypoints += [((*land_at, height_m), speed, 0.0), ((*land_at, 0.0), 0.5, 2.0)]
    return flown(*waypoints, hz=hz, begin_s=begin_s)


def shaken(positions: Series, size_m: float, seed: int = 0) -> Series:
    """The track with a slow wander of about `size_m` on each axis."""
    random = np.random.default_rng(seed)
    noise = random.normal(size=(len(positions) + 400, 3))
    kernel = np.hanning(201)
    slow = np.apply_along_axis(
        lambda column: np.convolve(column, kernel, "valid")[: len(positions)], 0, noise
    )
    wander: FloatArray = slow / slow.std() * size_m
    return Series(positions.time_s, positions.values + wander)

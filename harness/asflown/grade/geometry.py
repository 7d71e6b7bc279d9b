"""Where points lie about one leg: beside it, along it, above it.

Points are x, y, u in metres in the axes of the path (x forward or north, y right or east, u up), shape (n, 3).
Seen from above, y lies to the right of x.
"""

from __future__ import annotations

import math

import numpy as np

from asflown.frames import FloatArray
from asflown.scenario.path import PathLeg

SHORTEST_HORIZONTAL_M = 0.05
"""A leg that leads less far sideways goes straight up or down: nothing lies right or left of it."""


def has_sides(leg: PathLeg) -> bool:
    """Whether a cross-track error exists on this leg."""
    if leg.kind == "arc":
        return True
    return _horizontal_m(leg) >= SHORTEST_HORIZONTAL_M


def _horizontal_m(leg: PathLeg) -> float:
    return math.dist(leg.start_xyu_m[:2], leg.end_xyu_m[:2])


def cross_track_m(leg: PathLeg, points_xyu_m: FloatArray) -> FloatArray:
    """Horizontal distance from the leg, positive to the right of its direction, shape (n,).

    From a straight leg it is the distance from the whole line, from an arc that from the whole circle: what lies
    beyond an end is along-track. The leg must have sides.
    """
    x_m, y_m = points_xyu_m[:, 0], points_xyu_m[:, 1]
    if leg.centre_xy_m is not None:
        outwards_m = np.hypot(x_m - leg.centre_xy_m[0], y_m - leg.centre_xy_m[1]) - leg.radius_m
        return -outwards_m if leg.turn_rad > 0 else outwards_m
    step_x, step_y = _direction(leg)
    return step_x * (y_m - leg.start_xyu_m[1]) - step_y * (x_m - leg.start_xyu_m[0])


def _direction(leg: PathLeg) -> tuple[float, float]:
    length_m = _horizontal_m(leg)
    return (
        (leg.end_xyu_m[0] - leg.start_xyu_m[0]) / length_m,
        (leg.end_xyu_m[1] - leg.start_xyu_m[1]) / length_m,
    )


def along_share(leg: PathLeg, points_xyu_m: FloatArray) -> FloatArray:
    """How far along the leg each point is, from 0 at its start to 1 at its end, shape (n,).

    Points before the start are negative and points beyond the end above 1, but not on an arc: there a point is
    placed on the nearest part of the arc. On a leg without length everything is at 0.
    """
    if leg.centre_xy_m is not None:
        return _along_arc(leg, leg.centre_xy_m, points_xyu_m)
    start, end = np.array(leg.start_xyu_m), np.array(leg.end_xyu_m)
    squared_m2 = float((end - start) @ (end - start))
    if squared_m2 == 0:
        return np.zeros(len(points_xyu_m))
    share: FloatArray = (points_xyu_m - start) @ (end - start) / squared_m2
    return share


def _along_arc(leg: PathLeg, centre_xy_m: tuple[float, float], points_xyu_m: FloatArray) -> FloatArray:
    began_rad = math.atan2(leg.start_xyu_m[1] - centre_xy_m[1], leg.start_xyu_m[0] - centre_xy_m[0])
    angle_rad = np.arctan2(points_xyu_m[:, 1] - centre_xy_m[1], points_xyu_m[:, 0] - centre_xy_m[0])
    turned_rad = np.mod((angle_rad - began_rad) * math.copysign(1, leg.turn_rad), math.tau)
    whole_rad = abs(leg.turn_rad)
    beyond = turned_rad > whole_rad
    nearer_to_start = turned_rad > (math.tau + whole_rad) / 2
    share: FloatArray = np.where(beyond, np.where(nearer_to_start, 0.0, 1.0), turned_rad / whole_rad)
    return share


def vertical_m(leg: PathLeg, points_xyu_m: FloatArray) -> FloatArray:
    """Height above the nearest place of the leg, seen from above; positive when too high, shape (n,)."""
    start_m, end_m = leg.start_xyu_m[2], leg.end_xyu_m[2]
    if not has_sides(leg) or start_m == end_m:
        return points_xyu_m[:, 2] - end_m
    step_x, step_y = _direction(leg)
    along_m = step_x * (points_xyu_m[:, 0] - leg.start_xyu_m[0]) + step_y * (
        points_xyu_m[:, 1] - leg.start_xyu_m[1]
    )
    share = np.clip(along_m / _horizontal_m(leg), 0.0, 1.0)
    return points_xyu_m[:, 2] - (start_m + share * (end_m - start_m))


def distance_m(points_xyu_m: FloatArray, place_xyu_m: tuple[float, float, float]) -> FloatArray:
    """Distance of each point from one place, in space, shape (n,)."""
    away_m: FloatArray = np.sqrt(((points_xyu_m - np.array(place_xyu_m)) ** 2).sum(axis=1))
    return away_m


def leg_distance_m(points_xyu_m: FloatArray, leg: PathLeg) -> FloatArray:
    """Distance of each point from the nearest place of the leg, in space, shape (n,).

    On an arc, which is level, the nearest place is that of the nearest angle.
    """
    share = np.clip(along_share(leg, points_xyu_m), 0.0, 1.0)[:, None]
    start, end = np.array(leg.start_xyu_m), np.array(leg.end_xyu_m)
    foot = start + share * (end - start)
    if leg.centre_xy_m is not None:
        x_m, y_m = leg.start_xyu_m[0] - leg.centre_xy_m[0], leg.start_xyu_m[1] - leg.centre_xy_m[1]
        angle_rad = math.atan2(y_m, x_m) + share[:, 0] * leg.turn_rad
        foot[:, 0] = leg.centre_xy_m[0] + leg.radius_m * np.cos(angle_rad)
        foot[:, 1] = leg.centre_xy_m[1] + leg.radius_m * np.sin(angle_rad)
    away_m: FloatArray = np.sqrt(((points_xyu_m - foot) ** 2).sum(axis=1))
    return away_m

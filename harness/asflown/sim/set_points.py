"""Set-points as scripts send them, resolved to north-east-down about the estimator's origin.

A set-point is resolved once, when it is received, with the position and heading of that moment. A stream of
offset set-points therefore moves its target with each message: that is what it asks for.

Frames, by MAV_FRAME, with `p` the position and `v` the velocity and acceleration of the message:

    1 LOCAL_NED          p about the origin; v north-east-down
    7 LOCAL_OFFSET_NED   p about the vehicle, axes north-east-down; v north-east-down
    8 BODY_NED           p as LOCAL_NED; v forward-right-down (the enumeration's own definition of this frame)
    9 BODY_OFFSET_NED    as BODY_FRD
   12 BODY_FRD           p about the vehicle, axes forward-right-down; v forward-right-down
   20 LOCAL_FRD          p about the origin, axes forward-right-down; v forward-right-down
    0, 5 GLOBAL, _INT    p is latitude, longitude, altitude above mean sea level; v north-east-down
    3, 6 _RELATIVE_ALT   the same with the altitude above home

Forward is the heading: tilt does not enter. A yaw in a frame of body axes (8, 9, 12, 20) is relative to the
heading; the standard does not say, and this is the reading in which a yaw of 0 does not turn the vehicle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav

from asflown.errors import VehicleProblem
from asflown.frames import TangentPlane, to_north_east, wrap_angle
from asflown.sim.interface import Estimate, Target
from asflown.sim.situation import Point

IGNORE_POSITION = 0x007
IGNORE_VELOCITY = 0x038
IGNORE_ACCELERATION = 0x1C0
FORCE = 0x200
IGNORE_YAW = 0x400
IGNORE_YAW_RATE = 0x800
_KNOWN_BITS = 0xFFF

ABOUT_ORIGIN = frozenset({mav.MAV_FRAME_LOCAL_NED, mav.MAV_FRAME_BODY_NED, mav.MAV_FRAME_LOCAL_FRD})
ABOUT_VEHICLE = frozenset(
    {mav.MAV_FRAME_LOCAL_OFFSET_NED, mav.MAV_FRAME_BODY_OFFSET_NED, mav.MAV_FRAME_BODY_FRD}
)
BODY_POSITION = frozenset({mav.MAV_FRAME_BODY_OFFSET_NED, mav.MAV_FRAME_BODY_FRD, mav.MAV_FRAME_LOCAL_FRD})
BODY_VELOCITY = BODY_POSITION | {mav.MAV_FRAME_BODY_NED}
ABOVE_SEA = frozenset({mav.MAV_FRAME_GLOBAL, mav.MAV_FRAME_GLOBAL_INT})
ABOVE_HOME = frozenset({mav.MAV_FRAME_GLOBAL_RELATIVE_ALT, mav.MAV_FRAME_GLOBAL_RELATIVE_ALT_INT})
GLOBAL_FRAMES = ABOVE_SEA | ABOVE_HOME
_TERRAIN = frozenset({mav.MAV_FRAME_GLOBAL_TERRAIN_ALT, mav.MAV_FRAME_GLOBAL_TERRAIN_ALT_INT})

FARTHEST_M = 20_000.0
"""A set-point farther than this from the origin is taken for a mistake."""


class SetPointRefused(VehicleProblem):
    """The set-point means nothing, or nothing this vehicle can do. The autopilot tells its sender why."""


@dataclass(frozen=True, slots=True)
class SetPoint:
    """A resolved set-point. A None is not controlled; at least one thing is."""

    north_m: float | None = None
    east_m: float | None = None
    down_m: float | None = None
    velocity_north_m_s: float | None = None
    velocity_east_m_s: float | None = None
    velocity_down_m_s: float | None = None
    acceleration_ned_m_s2: tuple[float, float, float] | None = None
    yaw_rad: float | None = None
    yaw_rate_rad_s: float | None = None

    @property
    def accelerating(self) -> bool:
        """Whether it is an acceleration alone; beside a position or velocity it is a feed-forward."""
        others = (self.north_m, self.down_m, self.velocity_north_m_s, self.velocity_down_m_s)
        return self.acceleration_ned_m_s2 is not None and all(other is None for other in others)

    @property
    def moving(self) -> bool:
        """Whether it sends the vehicle on its way without an end, so that it must not outlive its sender."""
        horizontally = self.north_m is None and self.velocity_north_m_s is not None
        vertically = self.down_m is None and self.velocity_down_m_s is not None
        turning = self.yaw_rad is None and self.yaw_rate_rad_s is not None
        return horizontally or vertically or turning or self.accelerating

    def target(self) -> Target:
        """The same for the control loops; what it does not control is left open."""
        return Target(
            north_m=self.north_m,
            east_m=self.east_m,
            down_m=self.down_m,
            velocity_north_m_s=self.velocity_north_m_s,
            velocity_east_m_s=self.velocity_east_m_s,
            velocity_down_m_s=self.velocity_down_m_s,
            acceleration_ned_m_s2=self.acceleration_ned_m_s2 or (0.0, 0.0, 0.0),
            yaw_rad=self.yaw_rad,
            yaw_rate_rad_s=self.yaw_rate_rad_s,
        )


@dataclass(frozen=True, slots=True)
class Vantage:
    """From where a set-point is resolved: the estimate of the moment, the origin's plane, home's height."""

    estimate: Estimate
    plane: TangentPlane
    home_down_m: float | None


def from_local(message: mav.MAVLink_set_position_target_local_ned_message, vantage: Vantage) -> SetPoint:
    """A SET_POSITION_TARGET_LOCAL_NED resolved. Raises SetPointRefused."""
    frame = message.coordinate_frame
    if frame not in ABOUT_ORIGIN | ABOUT_VEHICLE:
        raise SetPointRefused(f"set-point: frame {frame} is not supported")
    mask = checked_mask(message.type_mask)
    position: Sequence[float] = (message.x, message.y, message.z)
    _check_finite(mask, IGNORE_POSITION, position)
    heading_rad, e = vantage.estimate.yaw_rad, vantage.estimate
    if frame in BODY_POSITION:
        position = (*to_north_east(position[0], position[1], heading_rad), position[2])
    if frame in ABOUT_VEHICLE:
        position = (position[0] + e.north_m, position[1] + e.east_m, position[2] + e.down_m)
    body_axes = frame in BODY_VELOCITY
    return _resolved(message, mask, position, heading_rad if body_axes else 0.0)


def from_global(message: mav.MAVLink_set_position_target_global_int_message, vantage: Vantage) -> SetPoint:
    """A SET_POSITION_TARGET_GLOBAL_INT resolved. Raises SetPointRefused."""
    frame = message.coordinate_frame
    if frame not in GLOBAL_FRAMES:
        terrain = "; no terrain data" if frame in _TERRAIN else ""
        raise SetPointRefused(f"set-point: frame {frame} is not supported{terrain}")
    mask = checked_mask(message.type_mask)
    position: Point = (0.0, 0.0, 0.0)
    if mask & IGNORE_POSITION != IGNORE_POSITION:
        _check_finite(mask, IGNORE_POSITION, (0.0, 0.0, message.alt))
        place = message.lat_int / 1e7, message.lon_int / 1e7
        position = place_to_ned(place, message.alt, frame, vantage)
    return _resolved(message, mask, position, 0.0)


def place_to_ned(place_deg: tuple[float, float], altitude_m: float, frame: int, vantage: Vantage) -> Point:
    """North, east, down of a latitude, longitude and altitude in one of GLOBAL_FRAMES. Raises SetPointRefused.

    An altitude above home is measured along the origin's down axis from home's height.
    """
    if not vantage.estimate.origin_known:
        raise SetPointRefused("no origin: latitude and longitude mean nothing")
    if frame in ABOVE_SEA:
        return vantage.plane.to_ned(*place_deg, altitude_m)
    if vantage.home_down_m is None:
        raise SetPointRefused("no home yet: altitude above home means nothing")
    above_origin_m = altitude_m - vantage.home_down_m
    return vantage.plane.to_ned(*place_deg, vantage.plane.height_m + above_origin_m)


def checked_mask(mask: int) -> int:
    """The type mask, when it makes sense. Raises SetPointRefused."""
    if mask & ~_KNOWN_BITS:
        raise SetPointRefused(f"set-point: unknown bits in type mask {mask}")
    if mask & FORCE:
        raise SetPointRefused("set-point: force is not supported")
    for name, bits in (("position", IGNORE_POSITION), ("velocity", IGNORE_VELOCITY)):
        lowest = bits & -bits
        if bool(mask & lowest) != bool(mask & lowest << 1):
            raise SetPointRefused(f"set-point: {name} x without y (type mask {mask})")
    if mask & IGNORE_ACCELERATION not in (0, IGNORE_ACCELERATION):
        raise SetPointRefused(f"set-point: part of an acceleration (type mask {mask})")
    everything = _KNOWN_BITS & ~FORCE
    if mask & everything == everything:
        raise SetPointRefused("set-point: type mask ignores everything")
    return mask


def _resolved(
    message: mav.MAVLink_set_position_target_local_ned_message
    | mav.MAVLink_set_position_target_global_int_message,
    mask: int,
    position: Sequence[float],
    turn_rad: float,
) -> SetPoint:
    """`turn_rad` is the heading of the axes that velocity, acceleration and yaw are given in."""
    velocity = (message.vx, message.vy, message.vz)
    acceleration = (message.afx, message.afy, message.afz)
    _check_finite(mask, IGNORE_VELOCITY, velocity)
    _check_finite(mask, IGNORE_ACCELERATION, acceleration)
    _check_finite(mask, IGNORE_YAW, (message.yaw,))
    _check_finite(mask, IGNORE_YAW_RATE, (message.yaw_rate,))
    velocity_ne = to_north_east(velocity[0], velocity[1], turn_rad)
    acceleration_ned = (*to_north_east(acceleration[0], acceleration[1], turn_rad), acceleration[2])
    point = _used(mask, 1, position)
    if any(abs(coordinate) > FARTHEST_M for coordinate in point if coordinate is not None):
        raise SetPointRefused("set-point: more than 20 km away")
    return SetPoint(
        *point,
        *_used(mask, 8, (*velocity_ne, velocity[2])),
        acceleration_ned_m_s2=None if mask & IGNORE_ACCELERATION else acceleration_ned,
        yaw_rad=None if mask & IGNORE_YAW else wrap_angle(message.yaw + turn_rad),
        yaw_rate_rad_s=None if mask & IGNORE_YAW_RATE else message.yaw_rate,
    )


def _used(
    mask: int, lowest_bit: int, values: Sequence[float]
) -> tuple[float | None, float | None, float | None]:
    x, y, z = values
    return (
        None if mask & lowest_bit else x,
        None if mask & lowest_bit << 1 else y,
        None if mask & lowest_bit << 2 else z,
    )


def _check_finite(mask: int, bits: int, values: Sequence[float]) -> None:
    lowest = bits & -bits
    for index, value in enumerate(values):
        if not mask & lowest << index and not math.isfinite(value):
            raise SetPointRefused("set-point: a value that is used is not a number")

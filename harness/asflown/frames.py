"""Where things are: WGS-84, the tangent plane at home, start-heading axes, angles and attitude.

Positions in a tangent plane are north-east-down metres; headings are radians clockwise from north. Scalar
functions use no arrays, because the simulation calls them hundreds of times for each second of flight.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# NGA.STND.0036, World Geodetic System 1984: the first two define the ellipsoid, the others follow from them.
SEMI_MAJOR_AXIS_M = 6_378_137.0
FLATTENING = 1 / 298.257_223_563
SEMI_MINOR_AXIS_M = SEMI_MAJOR_AXIS_M * (1 - FLATTENING)
ECCENTRICITY_SQUARED = FLATTENING * (2 - FLATTENING)
SECOND_ECCENTRICITY_SQUARED = ECCENTRICITY_SQUARED / (1 - ECCENTRICITY_SQUARED)

_BOWRING_ROUNDS = 3


def radii_of_curvature(latitude_deg: float) -> tuple[float, float]:
    """Radii in metres along the meridian and along the prime vertical (north-south, east-west)."""
    w_squared = 1 - ECCENTRICITY_SQUARED * math.sin(math.radians(latitude_deg)) ** 2
    prime_vertical_m = SEMI_MAJOR_AXIS_M / math.sqrt(w_squared)
    return prime_vertical_m * (1 - ECCENTRICITY_SQUARED) / w_squared, prime_vertical_m


def metres_per_degree(latitude_deg: float) -> tuple[float, float]:
    """Metres on the ellipsoid for one degree northwards and one degree eastwards.

    Good to some centimetres over a few hundred metres; `TangentPlane` is the exact way.
    """
    meridian_m, prime_vertical_m = radii_of_curvature(latitude_deg)
    eastwards_m = prime_vertical_m * math.cos(math.radians(latitude_deg))
    return math.radians(meridian_m), math.radians(eastwards_m)


def geodetic_to_ecef(
    latitude_deg: float, longitude_deg: float, height_m: float
) -> tuple[float, float, float]:
    """Earth-centred, earth-fixed x, y, z in metres of a point at `height_m` above the ellipsoid."""
    latitude, longitude = math.radians(latitude_deg), math.radians(longitude_deg)
    sine, cosine = math.sin(latitude), math.cos(latitude)
    prime_vertical_m = SEMI_MAJOR_AXIS_M / math.sqrt(1 - ECCENTRICITY_SQUARED * sine * sine)
    from_axis_m = (prime_vertical_m + height_m) * cosine
    z_m = (prime_vertical_m * (1 - ECCENTRICITY_SQUARED) + height_m) * sine
    return from_axis_m * math.cos(longitude), from_axis_m * math.sin(longitude), z_m


def ecef_to_geodetic(x_m: float, y_m: float, z_m: float) -> tuple[float, float, float]:
    """Latitude and longitude in degrees and height above the ellipsoid in metres of an earth-fixed point.

    Bowring's iteration of the parametric latitude; after three rounds exact to rounding from 1,000 km below
    the surface outwards.
    """
    from_axis_m = math.hypot(x_m, y_m)
    parametric = math.atan2(SEMI_MAJOR_AXIS_M * z_m, SEMI_MINOR_AXIS_M * from_axis_m)
    latitude = 0.0
    for _ in range(_BOWRING_ROUNDS):
        latitude = math.atan2(
            z_m + SECOND_ECCENTRICITY_SQUARED * SEMI_MINOR_AXIS_M * math.sin(parametric) ** 3,
            from_axis_m - ECCENTRICITY_SQUARED * SEMI_MAJOR_AXIS_M * math.cos(parametric) ** 3,
        )
        parametric = math.atan2((1 - FLATTENING) * math.sin(latitude), math.cos(latitude))
    sine, cosine = math.sin(latitude), math.cos(latitude)
    surface_m = SEMI_MAJOR_AXIS_M * math.sqrt(1 - ECCENTRICITY_SQUARED * sine * sine)
    height_m = from_axis_m * cosine + z_m * sine - surface_m
    return math.degrees(latitude), math.degrees(math.atan2(y_m, x_m)), height_m


class TangentPlane:
    """North-east-down axes that touch the ellipsoid's normal at an origin.

    Altitudes above mean sea level may be used for heights above the ellipsoid, when origin and points use the
    same: the geoid's 100 m at most change a distance by less than 2 parts in 100,000.
    """

    def __init__(self, latitude_deg: float, longitude_deg: float, height_m: float) -> None:
        self.latitude_deg, self.longitude_deg, self.height_m = latitude_deg, longitude_deg, height_m
        self._origin_m = geodetic_to_ecef(latitude_deg, longitude_deg, height_m)
        latitude, longitude = math.radians(latitude_deg), math.radians(longitude_deg)
        self._sin_latitude, self._cos_latitude = math.sin(latitude), math.cos(latitude)
        self._sin_longitude, self._cos_longitude = math.sin(longitude), math.cos(longitude)

    def rotate_to_ned(self, x: float, y: float, z: float) -> tuple[float, float, float]:
        """The earth-fixed vector (x, y, z), of any unit, in north-east-down axes."""
        towards_axis = self._cos_longitude * x + self._sin_longitude * y
        north = -self._sin_latitude * towards_axis + self._cos_latitude * z
        east = -self._sin_longitude * x + self._cos_longitude * y
        down = -self._cos_latitude * towards_axis - self._sin_latitude * z
        return north, east, down

    def to_ned(
        self, latitude_deg: float, longitude_deg: float, height_m: float
    ) -> tuple[float, float, float]:
        """North, east, down in metres of a geodetic point."""
        x_m, y_m, z_m = geodetic_to_ecef(latitude_deg, longitude_deg, height_m)
        origin_x_m, origin_y_m, origin_z_m = self._origin_m
        return self.rotate_to_ned(x_m - origin_x_m, y_m - origin_y_m, z_m - origin_z_m)

    def to_geodetic(self, north_m: float, east_m: float, down_m: float) -> tuple[float, float, float]:
        """Latitude and longitude in degrees and height in metres of a point in the plane's axes."""
        towards_axis_m = -self._sin_latitude * north_m - self._cos_latitude * down_m
        z_m = self._cos_latitude * north_m - self._sin_latitude * down_m
        x_m = self._cos_longitude * towards_axis_m - self._sin_longitude * east_m
        y_m = self._sin_longitude * towards_axis_m + self._cos_longitude * east_m
        origin_x_m, origin_y_m, origin_z_m = self._origin_m
        return ecef_to_geodetic(origin_x_m + x_m, origin_y_m + y_m, origin_z_m + z_m)

    def to_ned_array(
        self, latitude_deg: FloatArray, longitude_deg: FloatArray, height_m: FloatArray
    ) -> FloatArray:
        """North, east, down in metres, shape (n, 3), of n geodetic points; NaN stays NaN, in its row alone."""
        latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
        sine, cosine = np.sin(latitude), np.cos(latitude)
        prime_vertical_m = SEMI_MAJOR_AXIS_M / np.sqrt(1 - ECCENTRICITY_SQUARED * sine * sine)
        from_axis_m = (prime_vertical_m + height_m) * cosine
        z_m = (prime_vertical_m * (1 - ECCENTRICITY_SQUARED) + height_m) * sine
        origin_x_m, origin_y_m, origin_z_m = self._origin_m
        x_m = from_axis_m * np.cos(longitude) - origin_x_m
        y_m = from_axis_m * np.sin(longitude) - origin_y_m
        towards_axis_m, z_m = self._cos_longitude * x_m + self._sin_longitude * y_m, z_m - origin_z_m
        north_m = -self._sin_latitude * towards_axis_m + self._cos_latitude * z_m
        east_m = -self._sin_longitude * x_m + self._cos_longitude * y_m
        down_m = -self._cos_latitude * towards_axis_m - self._sin_latitude * z_m
        return np.stack((north_m, east_m, down_m), axis=-1)


@overload
def to_north_east(forward: float, right: float, heading_rad: float) -> tuple[float, float]: ...
@overload
def to_north_east(
    forward: FloatArray, right: FloatArray, heading_rad: float
) -> tuple[FloatArray, FloatArray]: ...
def to_north_east(forward: Any, right: Any, heading_rad: float) -> tuple[Any, Any]:
    """North and east of a point given forward and right of someone who looks along `heading_rad`."""
    sine, cosine = math.sin(heading_rad), math.cos(heading_rad)
    return cosine * forward - sine * right, sine * forward + cosine * right


@overload
def to_forward_right(north: float, east: float, heading_rad: float) -> tuple[float, float]: ...
@overload
def to_forward_right(
    north: FloatArray, east: FloatArray, heading_rad: float
) -> tuple[FloatArray, FloatArray]: ...
def to_forward_right(north: Any, east: Any, heading_rad: float) -> tuple[Any, Any]:
    """Forward and right, seen along `heading_rad`, of a point given north and east; undoes `to_north_east`."""
    return to_north_east(north, east, -heading_rad)


def wrap_angle(angle_rad: float) -> float:
    """The same direction between -pi and pi."""
    return math.remainder(angle_rad, math.tau)


def angle_difference(angle_rad: float, reference_rad: float) -> float:
    """The turn from `reference_rad` to `angle_rad` the short way, between -pi and pi, clockwise positive."""
    return wrap_angle(angle_rad - reference_rad)


def circular_mean(angles_rad: Iterable[float]) -> float:
    """The mean direction, between -pi and pi: of 350 and 10 degrees it is 0 (Mardia & Jupp).

    Of no angles it is 0; angles that cancel out have no mean direction, and the result says nothing.
    """
    sines, cosines = 0.0, 0.0
    for angle_rad in angles_rad:
        sines += math.sin(angle_rad)
        cosines += math.cos(angle_rad)
    return math.atan2(sines, cosines)


def quaternion_from_euler(
    roll_rad: float, pitch_rad: float, yaw_rad: float
) -> tuple[float, float, float, float]:
    """Attitude as w, x, y, z (body forward-right-down to north-east-down) from yaw, then pitch, then roll."""
    sin_roll, cos_roll = math.sin(roll_rad / 2), math.cos(roll_rad / 2)
    sin_pitch, cos_pitch = math.sin(pitch_rad / 2), math.cos(pitch_rad / 2)
    sin_yaw, cos_yaw = math.sin(yaw_rad / 2), math.cos(yaw_rad / 2)
    return (
        cos_roll * cos_pitch * cos_yaw + sin_roll * sin_pitch * sin_yaw,
        sin_roll * cos_pitch * cos_yaw - cos_roll * sin_pitch * sin_yaw,
        cos_roll * sin_pitch * cos_yaw + sin_roll * cos_pitch * sin_yaw,
        cos_roll * cos_pitch * sin_yaw - sin_roll * sin_pitch * cos_yaw,
    )


def euler_from_quaternion(w: float, x: float, y: float, z: float) -> tuple[float, float, float]:
    """Roll, pitch, yaw in radians of a unit quaternion; straight up or down, roll and yaw share one axis."""
    roll_rad = math.atan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))
    pitch_rad = math.asin(max(-1.0, min(1.0, 2 * (w * y - z * x))))
    yaw_rad = math.atan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))
    return roll_rad, pitch_rad, yaw_rad

"""The messages about sensors, raw and scaled, and about what the estimator makes of them.

A builder returns None when there is nothing to report.
"""

from __future__ import annotations

import math

from pymavlink.dialects.v20 import common as mav

from asflown.sim import status
from asflown.sim.sources import Sources, i16, u16

_STANDARD_GRAVITY_M_S2 = 9.80665
_NAN = math.nan
_VARIANCE_NOT_KNOWN = 255
_ALL_FIELDS = 0b1_1011_1111_1111
"""HIGHRES_IMU: accelerations, rates, fields, absolute pressure, pressure altitude, temperature; no airspeed sensor."""


def estimator_status(s: Sources) -> mav.MAVLink_message:
    """ESTIMATOR_STATUS; there is no height-above-ground and no airspeed sensor to test."""
    e = s.autopilot.core.estimate
    return mav.MAVLink_estimator_status_message(
        s.unix_us, status.estimator_flags(s.autopilot), e.velocity_test_ratio, e.position_test_ratio,
        e.height_test_ratio, e.heading_test_ratio, 0.0, 0.0, e.horizontal_accuracy_m, e.vertical_accuracy_m,
    )  # fmt: skip


def _scaled(s: Sources) -> tuple[int, ...]:
    r = s.autopilot.core.readings
    return (
        *(i16(a / _STANDARD_GRAVITY_M_S2 * 1e3) for a in r.acceleration_frd_m_s2),
        *(i16(w * 1e3) for w in r.rate_frd_rad_s),
        *(i16(m * 1e3) for m in r.magnetic_frd_gauss),
    )


def scaled_imu(s: Sources) -> mav.MAVLink_message:
    """SCALED_IMU: milli-g, milli-radians a second, milli-gauss."""
    return mav.MAVLink_scaled_imu_message(s.boot_ms, *_scaled(s))


def raw_imu(s: Sources) -> mav.MAVLink_message:
    """RAW_IMU; one count of these sensors is one unit of SCALED_IMU."""
    return mav.MAVLink_raw_imu_message(s.unix_us, *_scaled(s))


def highres_imu(s: Sources) -> mav.MAVLink_message:
    """HIGHRES_IMU: SI, gauss, hectopascal, degrees Celsius."""
    r, e = s.autopilot.core.readings, s.autopilot.core.estimate
    return mav.MAVLink_highres_imu_message(
        s.unix_us, *r.acceleration_frd_m_s2, *r.rate_frd_rad_s, *r.magnetic_frd_gauss,
        r.pressure_pa / 100, 0.0, e.origin_altitude_m - e.down_m, r.temperature_c, _ALL_FIELDS,
    )  # fmt: skip


def scaled_pressure(s: Sources) -> mav.MAVLink_message:
    """SCALED_PRESSURE: hectopascal and hundredths of a degree."""
    r = s.autopilot.core.readings
    return mav.MAVLink_scaled_pressure_message(
        s.boot_ms, r.pressure_pa / 100, 0.0, i16(r.temperature_c * 100)
    )


def vibration(s: Sources) -> mav.MAVLink_message:
    """VIBRATION, and how often the accelerometer was at its end."""
    return mav.MAVLink_vibration_message(s.unix_us, *s.motion.vibration_m_s2(), s.motion.clippings, 0, 0)


def distance_sensor(s: Sources) -> mav.MAVLink_message | None:
    """DISTANCE_SENSOR of the rangefinder that looks down; none while nothing is in its range."""
    readings = s.autopilot.core.readings
    if readings.range_m is None:
        return None
    least_cm, most_cm = (u16(end_m * 100) for end_m in readings.range_span_m)
    return mav.MAVLink_distance_sensor_message(
        s.boot_ms, least_cm, most_cm, u16(readings.range_m * 100), mav.MAV_DISTANCE_SENSOR_LASER, 0,
        mav.MAV_SENSOR_ROTATION_PITCH_270, _VARIANCE_NOT_KNOWN,
    )  # fmt: skip


def wind(s: Sources) -> mav.MAVLink_message | None:
    """WIND_COV: where the wind blows to, north-east-down; none before it is known."""
    m, e = s.motion, s.autopilot.core.estimate
    if not m.wind_known:
        return None
    return mav.MAVLink_wind_cov_message(
        s.unix_us, m.wind_north_m_s, m.wind_east_m_s, 0.0, math.sqrt(m.variance), _NAN,
        e.origin_altitude_m - e.down_m, _NAN, _NAN,
    )  # fmt: skip


def altitude(s: Sources) -> mav.MAVLink_message | None:
    """ALTITUDE: above the sea, above the origin, above home; none before there is a home."""
    a, e = s.autopilot, s.autopilot.core.estimate
    if a.situation.home is None or not e.origin_known:
        return None
    above_sea_m = e.origin_altitude_m - e.down_m
    above_home_m = a.situation.home[2] - e.down_m
    return mav.MAVLink_altitude_message(
        s.unix_us, above_sea_m, above_sea_m, -e.down_m, above_home_m, -1000.0, -1.0
    )

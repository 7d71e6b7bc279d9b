"""The messages that the craft can send about itself, and how each is filled.

A builder returns None when there is nothing to report. Integers are clamped into their fields, so that no
estimate, however wild, can break a message.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.sim import status
from asflown.sim.autopilot import Autopilot
from asflown.sim.identity import STANDARD_MODES
from asflown.sim.interface import Target
from asflown.sim.mission_service import MissionService
from asflown.sim.set_points import IGNORE_ACCELERATION, IGNORE_YAW, IGNORE_YAW_RATE
from asflown.sim.uplink import Uplink

CAPABILITIES = int(
    mav.MAV_PROTOCOL_CAPABILITY_MAVLINK2
    | mav.MAV_PROTOCOL_CAPABILITY_COMMAND_INT
    | mav.MAV_PROTOCOL_CAPABILITY_MISSION_INT
    | mav.MAV_PROTOCOL_CAPABILITY_MISSION_FLOAT
    | mav.MAV_PROTOCOL_CAPABILITY_PARAM_ENCODE_C_CAST
    | mav.MAV_PROTOCOL_CAPABILITY_SET_POSITION_TARGET_LOCAL_NED
    | mav.MAV_PROTOCOL_CAPABILITY_SET_POSITION_TARGET_GLOBAL_INT
)
"""What AUTOPILOT_VERSION announces; each has a test that it is so."""

_NOT_KNOWN_U16 = 0xFFFF
_NO_ATTITUDE = math.nan


@dataclass(slots=True)
class Sources:
    """Where the reports come from. Time: flight time of power-up, and Unix time of flight time 0."""

    autopilot: Autopilot
    missions: MissionService
    uplink: Uplink
    release: str
    boot_us: int
    epoch_us: int

    @property
    def boot_ms(self) -> int:
        """Time since power-up."""
        return (self.autopilot.situation.now_us - self.boot_us) // 1000

    @property
    def unix_us(self) -> int:
        """Unix time now."""
        return self.epoch_us + self.autopilot.situation.now_us


def heartbeat(s: Sources) -> mav.MAVLink_message:
    """HEARTBEAT."""
    a = s.autopilot
    return mav.MAVLink_heartbeat_message(
        a.numbering.vehicle_type, a.numbering.autopilot, status.base_mode(a),
        a.numbering.number(a.mode.name), status.system_state(a), 3,
    )  # fmt: skip


def attitude(s: Sources) -> mav.MAVLink_message:
    """ATTITUDE of the estimate."""
    e = s.autopilot.core.estimate
    return mav.MAVLink_attitude_message(
        s.boot_ms, e.roll_rad, e.pitch_rad, e.yaw_rad, e.roll_rate_rad_s, e.pitch_rate_rad_s, e.yaw_rate_rad_s
    )


def local_position(s: Sources) -> mav.MAVLink_message:
    """LOCAL_POSITION_NED of the estimate, about its origin."""
    e = s.autopilot.core.estimate
    return mav.MAVLink_local_position_ned_message(
        s.boot_ms, e.north_m, e.east_m, e.down_m,
        e.velocity_north_m_s, e.velocity_east_m_s, e.velocity_down_m_s,
    )  # fmt: skip


def global_position(s: Sources) -> mav.MAVLink_message | None:
    """GLOBAL_POSITION_INT of the estimate; none before there is a position."""
    a, e = s.autopilot, s.autopilot.core.estimate
    if a.situation.home is None:
        return None
    latitude_deg, longitude_deg, altitude_m = a.situation.plane().to_geodetic(e.north_m, e.east_m, e.down_m)
    above_home_m = a.situation.home[2] - e.down_m
    return mav.MAVLink_global_position_int_message(
        s.boot_ms, round(latitude_deg * 1e7), round(longitude_deg * 1e7),
        _i32(altitude_m * 1e3), _i32(above_home_m * 1e3),
        _i16(e.velocity_north_m_s * 1e2), _i16(e.velocity_east_m_s * 1e2), _i16(e.velocity_down_m_s * 1e2),
        round(math.degrees(e.yaw_rad) * 100) % 36_000,
    )  # fmt: skip


def vfr_hud(s: Sources) -> mav.MAVLink_message:
    """VFR_HUD; there is no airspeed sensor, so airspeed is 0."""
    core, e = s.autopilot.core, s.autopilot.core.estimate
    return mav.MAVLink_vfr_hud_message(
        0.0, math.hypot(e.velocity_north_m_s, e.velocity_east_m_s),
        round(math.degrees(e.yaw_rad)) % 360, _within(core.readings.throttle * 100, 0, 100),
        e.origin_altitude_m - e.down_m, -e.velocity_down_m_s,
    )  # fmt: skip


def sys_status(s: Sources) -> mav.MAVLink_message:
    """SYS_STATUS; the load of a simulated processor is 0."""
    r = s.autopilot.core.readings
    return mav.MAVLink_sys_status_message(
        status.SENSORS, status.SENSORS, status.sensors_healthy(s.autopilot), 0,
        _u16(r.battery_voltage_v * 1e3), _i16(r.battery_current_a * 1e2), _percent(r.battery_remaining),
        0, min(s.uplink.rejected, _NOT_KNOWN_U16), 0, 0, 0, 0,
    )  # fmt: skip


def gps_raw(s: Sources) -> mav.MAVLink_message:
    """GPS_RAW_INT: the receiver, not the estimate. Dilution of precision is not modelled."""
    r = s.autopilot.core.readings
    north, east, _ = r.gnss_velocity_ned_m_s
    course_deg = math.degrees(math.atan2(east, north)) % 360.0
    altitude_mm = _i32(r.gnss_altitude_m * 1e3)
    return mav.MAVLink_gps_raw_int_message(
        s.unix_us, r.gnss_fix, round(r.gnss_latitude_deg * 1e7), round(r.gnss_longitude_deg * 1e7),
        altitude_mm, _NOT_KNOWN_U16, _NOT_KNOWN_U16, _u16(math.hypot(north, east) * 1e2),
        round(course_deg * 100) % 36_000, _within(r.gnss_satellites, 0, 255), altitude_mm,
        _u32(r.gnss_horizontal_accuracy_m * 1e3), _u32(r.gnss_vertical_accuracy_m * 1e3),
    )  # fmt: skip


def battery_status(s: Sources) -> mav.MAVLink_message:
    """BATTERY_STATUS: the pack as one cell, as the standard wants it where cells are not measured."""
    r = s.autopilot.core.readings
    voltages = [_u16(r.battery_voltage_v * 1e3)] + [_NOT_KNOWN_U16] * 9
    return mav.MAVLink_battery_status_message(
        0, mav.MAV_BATTERY_FUNCTION_ALL, mav.MAV_BATTERY_TYPE_LIPO, 0x7FFF, voltages,
        _i16(r.battery_current_a * 1e2), -1, -1, _percent(r.battery_remaining), 0,
        status.charge_state(s.autopilot),
    )  # fmt: skip


def extended_state(s: Sources) -> mav.MAVLink_message:
    """EXTENDED_SYS_STATE."""
    return mav.MAVLink_extended_sys_state_message(
        mav.MAV_VTOL_STATE_UNDEFINED, status.landed_state(s.autopilot)
    )


def current_mode(s: Sources) -> mav.MAVLink_message:
    """CURRENT_MODE: what flies, and beside it what was asked for."""
    a = s.autopilot
    return development.MAVLink_current_mode_message(
        STANDARD_MODES.get(a.mode.name, 0), a.numbering.number(a.mode.name), a.numbering.number(a.intended)
    )


def available_mode(s: Sources, index: int) -> mav.MAVLink_message:
    """AVAILABLE_MODES for the mode of this index, from 1."""
    modes = s.autopilot.numbering.modes()
    mode = modes[index - 1]
    return development.MAVLink_available_modes_message(
        len(modes), index, STANDARD_MODES.get(mode, 0), s.autopilot.numbering.number(mode), 0,
        mode.words.encode(),
    )  # fmt: skip


def home_position(s: Sources) -> mav.MAVLink_message | None:
    """HOME_POSITION; none before there is a home."""
    situation = s.autopilot.situation
    if situation.home is None:
        return None
    latitude_deg, longitude_deg, altitude_m = situation.plane().to_geodetic(*situation.home)
    half_yaw = situation.home_yaw_rad / 2
    return mav.MAVLink_home_position_message(
        round(latitude_deg * 1e7), round(longitude_deg * 1e7), _i32(altitude_m * 1e3), *situation.home,
        [math.cos(half_yaw), 0.0, 0.0, math.sin(half_yaw)], _NO_ATTITUDE, _NO_ATTITUDE, _NO_ATTITUDE, s.unix_us,
    )  # fmt: skip


def gps_global_origin(s: Sources) -> mav.MAVLink_message | None:
    """GPS_GLOBAL_ORIGIN: where LOCAL_POSITION_NED is zero; none before there is a position."""
    if s.autopilot.situation.home is None:
        return None
    e = s.autopilot.core.estimate
    return mav.MAVLink_gps_global_origin_message(
        round(e.origin_latitude_deg * 1e7), round(e.origin_longitude_deg * 1e7),
        _i32(e.origin_altitude_m * 1e3), s.unix_us,
    )  # fmt: skip


def system_time(s: Sources) -> mav.MAVLink_message:
    """SYSTEM_TIME."""
    return mav.MAVLink_system_time_message(s.unix_us, s.boot_ms)


def position_target(s: Sources) -> mav.MAVLink_message | None:
    """POSITION_TARGET_LOCAL_NED: what is followed, while set-points are."""
    a = s.autopilot
    if a.mode is not a.set_points or not a.core.armed:
        return None
    t = a.core.target
    return mav.MAVLink_position_target_local_ned_message(
        s.boot_ms, mav.MAV_FRAME_LOCAL_NED, _mask_of(t),
        t.north_m or 0.0, t.east_m or 0.0, t.down_m or 0.0,
        t.velocity_north_m_s or 0.0, t.velocity_east_m_s or 0.0, t.velocity_down_m_s or 0.0,
        *t.acceleration_ned_m_s2, t.yaw_rad or 0.0, t.yaw_rate_rad_s or 0.0,
    )  # fmt: skip


def estimator_status(s: Sources) -> mav.MAVLink_message:
    """ESTIMATOR_STATUS; innovation test ratios are not reported."""
    e = s.autopilot.core.estimate
    return mav.MAVLink_estimator_status_message(
        s.unix_us, status.estimator_flags(s.autopilot), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0,
        e.horizontal_accuracy_m, e.vertical_accuracy_m,
    )  # fmt: skip


def scaled_imu(s: Sources) -> mav.MAVLink_message:
    """SCALED_IMU: milli-g, milli-radians a second, milli-gauss."""
    r = s.autopilot.core.readings
    return mav.MAVLink_scaled_imu_message(
        s.boot_ms, *(_i16(a / 9.80665 * 1e3) for a in r.acceleration_frd_m_s2),
        *(_i16(w * 1e3) for w in r.rate_frd_rad_s), *(_i16(m * 1e3) for m in r.magnetic_frd_gauss),
    )  # fmt: skip


def scaled_pressure(s: Sources) -> mav.MAVLink_message:
    """SCALED_PRESSURE: hectopascal and hundredths of a degree."""
    r = s.autopilot.core.readings
    return mav.MAVLink_scaled_pressure_message(
        s.boot_ms, r.pressure_pa / 100, 0.0, _i16(r.temperature_c * 100)
    )


def autopilot_version(s: Sources) -> mav.MAVLink_message:
    """AUTOPILOT_VERSION: the release stands in the major number of `flight_sw_version`."""
    digits = "".join(character for character in s.release if character.isdigit()) or "0"
    version = (int(digits) & 0xFF) << 24 | int(mav.FIRMWARE_VERSION_TYPE_OFFICIAL)
    nothing = [0] * 8
    return mav.MAVLink_autopilot_version_message(
        CAPABILITIES, version, 0, 0, 0, nothing, nothing, nothing, 0, 0, 0
    )


def mission_current(s: Sources) -> mav.MAVLink_message:
    """MISSION_CURRENT."""
    return s.missions.current_message()


def _mask_of(target: Target) -> int:
    parts = (
        target.north_m, target.east_m, target.down_m,
        target.velocity_north_m_s, target.velocity_east_m_s, target.velocity_down_m_s,
    )  # fmt: skip
    mask = sum(1 << bit for bit, part in enumerate(parts) if part is None)
    if target.acceleration_ned_m_s2 == (0.0, 0.0, 0.0):
        mask |= IGNORE_ACCELERATION
    if target.yaw_rad is None:
        mask |= IGNORE_YAW
    if target.yaw_rate_rad_s is None:
        mask |= IGNORE_YAW_RATE
    return mask


def _within(value: float, low: int, high: int) -> int:
    return min(max(round(value), low), high)


def _i16(value: float) -> int:
    return _within(value, -0x8000, 0x7FFF)


def _u16(value: float) -> int:
    return _within(value, 0, 0xFFFE)


def _u32(value: float) -> int:
    return _within(value, 0, 0xFFFF_FFFE)


def _i32(value: float) -> int:
    return _within(value, -0x8000_0000, 0x7FFF_FFFF)


def _percent(share: float) -> int:
    return _within(share * 100, 0, 100)

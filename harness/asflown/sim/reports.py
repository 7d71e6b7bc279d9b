"""The messages that the craft can send about itself, and how each is filled.

Those about sensors are in `sensor_reports`. A builder returns None when there is nothing to report.
"""

from __future__ import annotations

import math

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.frames import quaternion_from_euler
from asflown.sim import status
from asflown.sim.identity import STANDARD_MODES
from asflown.sim.interface import Target
from asflown.sim.longer import Longer
from asflown.sim.plain import Plain
from asflown.sim.set_points import IGNORE_ACCELERATION, IGNORE_YAW, IGNORE_YAW_RATE
from asflown.sim.situation import point_of
from asflown.sim.sources import NOT_KNOWN_U16, Sources, i16, i32, percent, u16, u32, within

CAPABILITIES = int(
    mav.MAV_PROTOCOL_CAPABILITY_MAVLINK2
    | mav.MAV_PROTOCOL_CAPABILITY_COMMAND_INT
    | mav.MAV_PROTOCOL_CAPABILITY_MISSION_INT
    | mav.MAV_PROTOCOL_CAPABILITY_MISSION_FLOAT
    | mav.MAV_PROTOCOL_CAPABILITY_MISSION_FENCE
    | mav.MAV_PROTOCOL_CAPABILITY_MISSION_RALLY
    | mav.MAV_PROTOCOL_CAPABILITY_SET_POSITION_TARGET_LOCAL_NED
    | mav.MAV_PROTOCOL_CAPABILITY_SET_POSITION_TARGET_GLOBAL_INT
)
"""What AUTOPILOT_VERSION announces beside the encoding of parameters; each has a test that it is so."""
C_CAST = int(mav.MAV_PROTOCOL_CAPABILITY_PARAM_ENCODE_C_CAST)
BYTEWISE = int(mav.MAV_PROTOCOL_CAPABILITY_PARAM_ENCODE_BYTEWISE)

_NO_ATTITUDE = math.nan


def heartbeat(s: Sources) -> mav.MAVLink_message:
    """HEARTBEAT."""
    a = s.autopilot
    return mav.MAVLink_heartbeat_message(
        a.numbering.vehicle_type, a.numbering.autopilot, status.base_mode(a),
        a.numbering.number(a.mode.name), status.system_state(a), 3,
    )  # fmt: skip


def attitude(s: Sources) -> Plain:
    """ATTITUDE of the estimate."""
    e = s.autopilot.core.estimate
    return Plain(
        mav.MAVLink_attitude_message, s.boot_ms, e.roll_rad, e.pitch_rad, e.yaw_rad,
        e.roll_rate_rad_s, e.pitch_rate_rad_s, e.yaw_rate_rad_s,
    )  # fmt: skip


def local_position(s: Sources) -> Plain:
    """LOCAL_POSITION_NED of the estimate, about its origin."""
    e = s.autopilot.core.estimate
    return Plain(
        mav.MAVLink_local_position_ned_message, s.boot_ms, e.north_m, e.east_m, e.down_m,
        e.velocity_north_m_s, e.velocity_east_m_s, e.velocity_down_m_s,
    )  # fmt: skip


def global_position(s: Sources) -> Plain | None:
    """GLOBAL_POSITION_INT of the estimate; none before there is a position."""
    a, e = s.autopilot, s.autopilot.core.estimate
    if a.situation.home is None or not e.origin_known:
        return None
    latitude_deg, longitude_deg, altitude_m = a.situation.plane().to_geodetic(e.north_m, e.east_m, e.down_m)
    above_home_m = a.situation.home[2] - e.down_m
    return Plain(
        mav.MAVLink_global_position_int_message, s.boot_ms, round(latitude_deg * 1e7), round(longitude_deg * 1e7),
        i32(altitude_m * 1e3), i32(above_home_m * 1e3),
        i16(e.velocity_north_m_s * 1e2), i16(e.velocity_east_m_s * 1e2), i16(e.velocity_down_m_s * 1e2),
        round(math.degrees(e.yaw_rad) * 100) % 36_000,
    )  # fmt: skip


def attitude_quaternion(s: Sources) -> mav.MAVLink_message:
    """ATTITUDE_QUATERNION of the estimate."""
    e = s.autopilot.core.estimate
    return mav.MAVLink_attitude_quaternion_message(
        s.boot_ms, *quaternion_from_euler(e.roll_rad, e.pitch_rad, e.yaw_rad),
        e.roll_rate_rad_s, e.pitch_rate_rad_s, e.yaw_rate_rad_s,
    )  # fmt: skip


def vfr_hud(s: Sources) -> mav.MAVLink_message:
    """VFR_HUD; there is no airspeed sensor, so airspeed is 0."""
    core, e = s.autopilot.core, s.autopilot.core.estimate
    return mav.MAVLink_vfr_hud_message(
        0.0, math.hypot(e.velocity_north_m_s, e.velocity_east_m_s),
        round(math.degrees(e.yaw_rad)) % 360, within(core.readings.throttle * 100, 0, 100),
        e.origin_altitude_m - e.down_m, -e.velocity_down_m_s,
    )  # fmt: skip


def sys_status(s: Sources) -> mav.MAVLink_message:
    """SYS_STATUS; the load of a simulated processor is 0."""
    r = s.autopilot.core.readings
    return mav.MAVLink_sys_status_message(
        status.SENSORS, status.SENSORS, status.sensors_healthy(s.autopilot), 0,
        u16(r.battery_voltage_v * 1e3), i16(r.battery_current_a * 1e2), percent(r.battery_remaining),
        0, min(s.uplink.rejected, NOT_KNOWN_U16), 0, 0, 0, 0,
    )  # fmt: skip


def gps_raw(s: Sources) -> mav.MAVLink_message:
    """GPS_RAW_INT: the receiver, not the estimate. Dilution of precision is not modelled."""
    r = s.autopilot.core.readings
    north, east, _ = r.gnss_velocity_ned_m_s
    course_deg = math.degrees(math.atan2(east, north)) % 360.0
    altitude_mm = i32(r.gnss_altitude_m * 1e3)
    return mav.MAVLink_gps_raw_int_message(
        s.unix_us, r.gnss_fix, round(r.gnss_latitude_deg * 1e7), round(r.gnss_longitude_deg * 1e7),
        altitude_mm, NOT_KNOWN_U16, NOT_KNOWN_U16, u16(math.hypot(north, east) * 1e2),
        round(course_deg * 100) % 36_000, within(r.gnss_satellites, 0, 255), altitude_mm,
        u32(r.gnss_horizontal_accuracy_m * 1e3), u32(r.gnss_vertical_accuracy_m * 1e3),
    )  # fmt: skip


def battery_status(s: Sources) -> mav.MAVLink_message:
    """BATTERY_STATUS: the pack as one cell, as the standard wants it where cells are not measured."""
    r = s.autopilot.core.readings
    voltages = [u16(r.battery_voltage_v * 1e3)] + [NOT_KNOWN_U16] * 9
    return mav.MAVLink_battery_status_message(
        0, mav.MAV_BATTERY_FUNCTION_ALL, mav.MAV_BATTERY_TYPE_LIPO, 0x7FFF, voltages,
        i16(r.battery_current_a * 1e2), -1, -1, percent(r.battery_remaining), 0,
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
    if situation.home is None or not situation.placed:
        return None
    latitude_deg, longitude_deg, altitude_m = situation.plane().to_geodetic(*situation.home)
    half_yaw = situation.home_yaw_rad / 2
    return mav.MAVLink_home_position_message(
        round(latitude_deg * 1e7), round(longitude_deg * 1e7), i32(altitude_m * 1e3), *situation.home,
        [math.cos(half_yaw), 0.0, 0.0, math.sin(half_yaw)], _NO_ATTITUDE, _NO_ATTITUDE, _NO_ATTITUDE, s.unix_us,
    )  # fmt: skip


def gps_global_origin(s: Sources) -> mav.MAVLink_message | None:
    """GPS_GLOBAL_ORIGIN: where LOCAL_POSITION_NED is zero; none before that is known."""
    if not s.autopilot.situation.placed:
        return None
    e = s.autopilot.core.estimate
    return mav.MAVLink_gps_global_origin_message(
        round(e.origin_latitude_deg * 1e7), round(e.origin_longitude_deg * 1e7),
        i32(e.origin_altitude_m * 1e3), s.unix_us,
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


def autopilot_version(s: Sources) -> mav.MAVLink_message:
    """AUTOPILOT_VERSION: the release stands in the major number of `flight_sw_version`."""
    digits = "".join(character for character in s.release if character.isdigit()) or "0"
    version = (int(digits) & 0xFF) << 24 | int(mav.FIRMWARE_VERSION_TYPE_OFFICIAL)
    nothing = [0] * 8
    return mav.MAVLink_autopilot_version_message(
        CAPABILITIES | (BYTEWISE if s.bytewise else C_CAST),
        version,
        0,
        0,
        0,
        nothing,
        nothing,
        nothing,
        0,
        0,
        0,
    )


def mission_current(s: Sources) -> Longer:
    """MISSION_CURRENT."""
    return s.missions.current_message()


def position_target_global(s: Sources) -> mav.MAVLink_message | None:
    """POSITION_TARGET_GLOBAL_INT: the same place in degrees, altitude above the sea; none without a place."""
    local, point = position_target(s), point_of(s.autopilot.core.target)
    if local is None or point is None or not s.autopilot.core.estimate.origin_known:
        return None
    latitude_deg, longitude_deg, altitude_m = s.autopilot.situation.plane().to_geodetic(*point)
    return mav.MAVLink_position_target_global_int_message(
        s.boot_ms, mav.MAV_FRAME_GLOBAL, local.type_mask,
        round(latitude_deg * 1e7), round(longitude_deg * 1e7), altitude_m,
        local.vx, local.vy, local.vz, local.afx, local.afy, local.afz, local.yaw, local.yaw_rate,
    )  # fmt: skip


def fence_status(s: Sources) -> mav.MAVLink_message:
    """FENCE_STATUS."""
    f = s.autopilot.fence
    return mav.MAVLink_fence_status_message(
        int(f.breach != 0), min(f.breach_count, 0xFFFF), f.breach, f.breach_ms, 0
    )


def orbit_status(s: Sources) -> mav.MAVLink_message | None:
    """ORBIT_EXECUTION_STATUS, while circling."""
    a = s.autopilot
    if a.mode is not a.orbit or not a.situation.placed or not a.core.armed:
        return None
    latitude_deg, longitude_deg, altitude_m = a.situation.plane().to_geodetic(*a.orbit.centre)
    return mav.MAVLink_orbit_execution_status_message(
        s.unix_us, a.orbit.radius_m, mav.MAV_FRAME_GLOBAL,
        round(latitude_deg * 1e7), round(longitude_deg * 1e7), altitude_m,
    )  # fmt: skip


def rc_channels(s: Sources) -> mav.MAVLink_message | None:
    """RC_CHANNELS as overridden; none while no channel is: there is no receiver of its own."""
    channels = s.autopilot.situation.sticks.channels
    if not any(channels):
        return None
    return mav.MAVLink_rc_channels_message(
        s.boot_ms, len(channels), *(channel or NOT_KNOWN_U16 for channel in channels), 0xFF
    )


def modes_monitor(_: Sources) -> mav.MAVLink_message:
    """AVAILABLE_MODES_MONITOR: the modes never change in flight."""
    return development.MAVLink_available_modes_monitor_message(1)


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

"""Which messages the craft can send, how often each goes by default, and which old data stream holds it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.sim import reports, sensor_reports
from asflown.sim.longer import Longer
from asflown.sim.plain import Plain
from asflown.sim.sources import Sources

SECOND_US = 1_000_000

Builder = Callable[[Sources], "mav.MAVLink_message | Longer | Plain | None"]


@dataclass(frozen=True, slots=True)
class Report:
    """How a message is made, how often it goes by default (0: only when asked for), and its data stream."""

    build: Builder
    interval_us: int = 0
    stream: int = 0
    """MAV_DATA_STREAM of the older rate request; 0 when no stream holds it."""


_STATUS = int(mav.MAV_DATA_STREAM_EXTENDED_STATUS)
_POSITION = int(mav.MAV_DATA_STREAM_POSITION)
_RAW = int(mav.MAV_DATA_STREAM_RAW_SENSORS)
_ATTITUDE = int(mav.MAV_DATA_STREAM_EXTRA1)
_HUD = int(mav.MAV_DATA_STREAM_EXTRA2)
_RC = int(mav.MAV_DATA_STREAM_RC_CHANNELS)
_REST = int(mav.MAV_DATA_STREAM_EXTRA3)

REPORTS: dict[int, Report] = {
    mav.MAVLINK_MSG_ID_HEARTBEAT: Report(reports.heartbeat, SECOND_US),
    mav.MAVLINK_MSG_ID_ATTITUDE: Report(reports.attitude, SECOND_US // 10, _ATTITUDE),
    mav.MAVLINK_MSG_ID_LOCAL_POSITION_NED: Report(reports.local_position, SECOND_US // 10, _POSITION),
    mav.MAVLINK_MSG_ID_GLOBAL_POSITION_INT: Report(reports.global_position, SECOND_US // 5, _POSITION),
    mav.MAVLINK_MSG_ID_VFR_HUD: Report(reports.vfr_hud, SECOND_US // 2, _HUD),
    mav.MAVLINK_MSG_ID_SYS_STATUS: Report(reports.sys_status, SECOND_US, _STATUS),
    mav.MAVLINK_MSG_ID_GPS_RAW_INT: Report(reports.gps_raw, SECOND_US // 2, _STATUS),
    mav.MAVLINK_MSG_ID_BATTERY_STATUS: Report(reports.battery_status, 2 * SECOND_US, _REST),
    mav.MAVLINK_MSG_ID_EXTENDED_SYS_STATE: Report(reports.extended_state, SECOND_US // 2, _STATUS),
    development.MAVLINK_MSG_ID_CURRENT_MODE: Report(reports.current_mode, 2 * SECOND_US),
    mav.MAVLINK_MSG_ID_HOME_POSITION: Report(reports.home_position, 5 * SECOND_US),
    mav.MAVLINK_MSG_ID_SYSTEM_TIME: Report(reports.system_time, SECOND_US, _REST),
    mav.MAVLINK_MSG_ID_POSITION_TARGET_LOCAL_NED: Report(reports.position_target, SECOND_US // 2, _POSITION),
    mav.MAVLINK_MSG_ID_ESTIMATOR_STATUS: Report(sensor_reports.estimator_status, SECOND_US, _REST),
    mav.MAVLINK_MSG_ID_SCALED_IMU: Report(sensor_reports.scaled_imu, 0, _RAW),
    mav.MAVLINK_MSG_ID_SCALED_PRESSURE: Report(sensor_reports.scaled_pressure, 0, _RAW),
    mav.MAVLINK_MSG_ID_RAW_IMU: Report(sensor_reports.raw_imu, 0, _RAW),
    mav.MAVLINK_MSG_ID_HIGHRES_IMU: Report(sensor_reports.highres_imu),
    mav.MAVLINK_MSG_ID_VIBRATION: Report(sensor_reports.vibration),
    mav.MAVLINK_MSG_ID_DISTANCE_SENSOR: Report(sensor_reports.distance_sensor),
    mav.MAVLINK_MSG_ID_WIND_COV: Report(sensor_reports.wind),
    mav.MAVLINK_MSG_ID_ALTITUDE: Report(sensor_reports.altitude),
    mav.MAVLINK_MSG_ID_ATTITUDE_QUATERNION: Report(reports.attitude_quaternion),
    mav.MAVLINK_MSG_ID_POSITION_TARGET_GLOBAL_INT: Report(reports.position_target_global),
    mav.MAVLINK_MSG_ID_FENCE_STATUS: Report(reports.fence_status),
    mav.MAVLINK_MSG_ID_ORBIT_EXECUTION_STATUS: Report(reports.orbit_status, SECOND_US // 2),
    mav.MAVLINK_MSG_ID_RC_CHANNELS: Report(reports.rc_channels, 0, _RC),
    development.MAVLINK_MSG_ID_AVAILABLE_MODES_MONITOR: Report(reports.modes_monitor),
    mav.MAVLINK_MSG_ID_GPS_GLOBAL_ORIGIN: Report(reports.gps_global_origin),
    mav.MAVLINK_MSG_ID_AUTOPILOT_VERSION: Report(reports.autopilot_version),
    mav.MAVLINK_MSG_ID_MISSION_CURRENT: Report(reports.mission_current),
}
"""By message id. The default rates add up to about 38 messages a second."""

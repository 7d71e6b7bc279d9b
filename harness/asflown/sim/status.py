"""What the craft's state is called on the link: MAV_STATE, base mode flags, landed state, sensor bits.

Pure functions of the autopilot's state.
"""

from __future__ import annotations

from pymavlink.dialects.v20 import common as mav

from asflown.sim.autopilot import Autopilot
from asflown.sim.identity import ModeName

_GUIDED = frozenset(
    {ModeName.SET_POINTS, ModeName.ORBIT, ModeName.MISSION, ModeName.SAFE_RECOVERY, ModeName.TAKE_OFF}
)
_BY_ITSELF = frozenset(
    {ModeName.ORBIT, ModeName.MISSION, ModeName.SAFE_RECOVERY, ModeName.TAKE_OFF, ModeName.LAND}
)

SENSORS = int(
    mav.MAV_SYS_STATUS_SENSOR_3D_GYRO
    | mav.MAV_SYS_STATUS_SENSOR_3D_ACCEL
    | mav.MAV_SYS_STATUS_SENSOR_3D_MAG
    | mav.MAV_SYS_STATUS_SENSOR_ABSOLUTE_PRESSURE
    | mav.MAV_SYS_STATUS_SENSOR_GPS
    | mav.MAV_SYS_STATUS_SENSOR_LASER_POSITION
    | mav.MAV_SYS_STATUS_SENSOR_MOTOR_OUTPUTS
    | mav.MAV_SYS_STATUS_SENSOR_BATTERY
    | mav.MAV_SYS_STATUS_AHRS
    | mav.MAV_SYS_STATUS_PREARM_CHECK
)
"""What this craft has, as MAV_SYS_STATUS_SENSOR."""


def system_state(autopilot: Autopilot) -> int:
    """MAV_STATE. Grounded: standby when it may be armed, else calibrating (not flight-ready)."""
    if autopilot.core.armed:
        if autopilot.in_distress:
            return int(mav.MAV_STATE_EMERGENCY)
        return int(mav.MAV_STATE_CRITICAL if autopilot.failsafe_active else mav.MAV_STATE_ACTIVE)
    return int(mav.MAV_STATE_CALIBRATING if autopilot.obstacles() else mav.MAV_STATE_STANDBY)


def base_mode(autopilot: Autopilot) -> int:
    """MAV_MODE_FLAG bits; which mode it is says `custom_mode`."""
    flags = mav.MAV_MODE_FLAG_CUSTOM_MODE_ENABLED | mav.MAV_MODE_FLAG_STABILIZE_ENABLED
    if autopilot.core.armed:
        flags |= mav.MAV_MODE_FLAG_SAFETY_ARMED
    if autopilot.mode.name in _GUIDED:
        flags |= mav.MAV_MODE_FLAG_GUIDED_ENABLED
    if autopilot.mode.name in _BY_ITSELF:
        flags |= mav.MAV_MODE_FLAG_AUTO_ENABLED
    if getattr(autopilot.core, "in_the_loop", False):
        flags |= mav.MAV_MODE_FLAG_HIL_ENABLED
    return int(flags)


def landed_state(autopilot: Autopilot) -> int:
    """MAV_LANDED_STATE."""
    if autopilot.core.on_ground:
        return int(mav.MAV_LANDED_STATE_ON_GROUND)
    if autopilot.mode.landing:
        return int(mav.MAV_LANDED_STATE_LANDING)
    if autopilot.mode.name is ModeName.TAKE_OFF:
        return int(mav.MAV_LANDED_STATE_TAKEOFF)
    return int(mav.MAV_LANDED_STATE_IN_AIR)


def sensors_healthy(autopilot: Autopilot) -> int:
    """The bits of SENSORS that are in order; the pre-arm bit says whether it may be armed."""
    healthy = SENSORS
    core, parameters = autopilot.core, autopilot.parameters
    if core.readings.gnss_fix < mav.GPS_FIX_TYPE_3D_FIX:
        healthy &= ~mav.MAV_SYS_STATUS_SENSOR_GPS
    if not core.estimate.position_valid:
        healthy &= ~mav.MAV_SYS_STATUS_AHRS
    if core.readings.battery_remaining < parameters["battery.reserve"]:
        healthy &= ~mav.MAV_SYS_STATUS_SENSOR_BATTERY
    if not core.armed and autopilot.obstacles():
        healthy &= ~mav.MAV_SYS_STATUS_PREARM_CHECK
    return int(healthy)


def charge_state(autopilot: Autopilot) -> int:
    """MAV_BATTERY_CHARGE_STATE by the vehicle's own parameters."""
    left, parameters = autopilot.core.readings.battery_remaining, autopilot.parameters
    if left < parameters["battery.critical"]:
        return int(mav.MAV_BATTERY_CHARGE_STATE_CRITICAL)
    if left < parameters["battery.reserve"]:
        return int(mav.MAV_BATTERY_CHARGE_STATE_LOW)
    return int(mav.MAV_BATTERY_CHARGE_STATE_OK)


def estimator_flags(autopilot: Autopilot) -> int:
    """ESTIMATOR_STATUS_FLAGS."""
    e = autopilot.core.estimate
    flags = 0
    if e.attitude_valid:
        flags |= mav.ESTIMATOR_ATTITUDE
    if e.height_valid:
        flags |= mav.ESTIMATOR_VELOCITY_VERT | mav.ESTIMATOR_POS_VERT_ABS
    if e.position_valid:
        flags |= mav.ESTIMATOR_VELOCITY_HORIZ | mav.ESTIMATOR_POS_HORIZ_REL | mav.ESTIMATOR_PRED_POS_HORIZ_REL
        if e.origin_known:
            flags |= mav.ESTIMATOR_POS_HORIZ_ABS | mav.ESTIMATOR_PRED_POS_HORIZ_ABS
    else:
        flags |= mav.ESTIMATOR_CONST_POS_MODE
    if e.position_test_ratio > 1.0 or e.velocity_test_ratio > 1.0:
        flags |= mav.ESTIMATOR_GPS_GLITCH
    return int(flags)

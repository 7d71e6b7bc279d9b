"""What every flight core does alike, whether its sensors are simulated here or come from a bench.

Each acts in place on what is handed in.
"""

from __future__ import annotations

from asflown.sim.estimator.estimator import Estimator
from asflown.sim.interface import CoreEvents, Readings
from asflown.sim.sensors.gnss import Fix

FIX_NONE, FIX_3D = 1, 3
"""GPS_FIX_TYPE: a receiver without a fix, and with one."""
LEAST_CHARGE_TO_ARM = 0.1
_UNKNOWN_M = 99.0
_WARNING, _INFO = 4, 6


def why_not_armed(estimator: Estimator, readings: Readings) -> str:
    """Why the motors must not start yet; '' when they may."""
    if not estimator.aligned:
        return "sensors are settling: wait"
    if not estimator.estimate.position_valid:
        return "position not known: wait for satellites"
    if readings.battery_remaining < LEAST_CHARGE_TO_ARM:
        return "battery nearly empty: charge it"
    return ""


def note_fix(readings: Readings, events: CoreEvents, fix: Fix, satellites: int) -> None:
    """A fix has arrived; the first one is told."""
    if readings.gnss_fix == FIX_NONE:
        events.texts.append((_INFO, "GNSS fix"))
    readings.gnss_fix, readings.gnss_satellites = FIX_3D, satellites
    readings.gnss_latitude_deg, readings.gnss_longitude_deg = fix.latitude_deg, fix.longitude_deg
    readings.gnss_altitude_m, readings.gnss_velocity_ned_m_s = fix.altitude_m, fix.velocity_ned_m_s
    readings.gnss_horizontal_accuracy_m = fix.horizontal_accuracy_m
    readings.gnss_vertical_accuracy_m = fix.vertical_accuracy_m
    readings.gnss_velocity_accuracy_m_s = fix.velocity_accuracy_m_s


def note_fix_lost(readings: Readings, events: CoreEvents) -> None:
    """Fixes have stopped."""
    readings.gnss_fix, readings.gnss_satellites = FIX_NONE, 0
    readings.gnss_horizontal_accuracy_m = readings.gnss_vertical_accuracy_m = _UNKNOWN_M
    events.texts.append((_WARNING, "GNSS fix lost"))

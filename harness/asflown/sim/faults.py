"""Faults of the built-in vehicle: what goes wrong, when, and how the parts of the vehicle are made to show it.

A fault is a row of FAULTS: one function that sets how severe it is. `link-loss` belongs to the radio, not here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import radians

from asflown.scenario.model import Fault
from asflown.sim.plant import Plant
from asflown.sim.sensors.barometer import Barometer
from asflown.sim.sensors.gnss import Gnss
from asflown.sim.sensors.imu import Imu
from asflown.sim.sensors.magnetometer import Magnetometer
from asflown.sim.sensors.outside_position import OutsidePosition

MOTOR_WEAK_LOSS = 0.1
"""Share of its speed that a weak motor lacks: it then lifts 81 %."""
BATTERY_SAG_MORE = 2.0
"""By how many times its own resistance the pack's grows: a cold or worn pack."""
COMPASS_OFFSET_RAD = radians(25.0)
GNSS_JUMP_M = 15.0


@dataclass(slots=True)
class Breakables:
    """The parts that faults reach."""

    plant: Plant
    imu: Imu
    gnss: Gnss
    barometer: Barometer
    magnetometer: Magnetometer
    resistance_ohm: float
    outside: OutsidePosition | None = None
    motor: int = 1
    """Which motor a fault of motors reaches, clockwise from the front right."""


def _gnss_loss(parts: Breakables, severity: float) -> None:
    parts.gnss.lost = severity > 0.0


def _gnss_jump(parts: Breakables, severity: float) -> None:
    parts.gnss.jump_m = GNSS_JUMP_M * severity


def _gnss_stuck(parts: Breakables, severity: float) -> None:
    parts.gnss.stuck = severity > 0.0


def _motor_weak(parts: Breakables, severity: float) -> None:
    parts.plant.set_motor_health(parts.motor, max(0.0, 1.0 - MOTOR_WEAK_LOSS * severity))


def _motor_stop(parts: Breakables, severity: float) -> None:
    parts.plant.set_motor_health(parts.motor, 0.0 if severity > 0.0 else 1.0)


def _battery_sag(parts: Breakables, severity: float) -> None:
    parts.plant.write("battery/resistance-ohm", (1.0 + BATTERY_SAG_MORE * severity) * parts.resistance_ohm)


def _compass_offset(parts: Breakables, severity: float) -> None:
    parts.magnetometer.fault_rad = COMPASS_OFFSET_RAD * severity


def _compass_stuck(parts: Breakables, severity: float) -> None:
    parts.magnetometer.stuck = severity > 0.0


def _barometer_drift(parts: Breakables, severity: float) -> None:
    parts.barometer.drifting = severity


def _barometer_stuck(parts: Breakables, severity: float) -> None:
    parts.barometer.stuck = severity > 0.0


def _imu_clipping(parts: Breakables, severity: float) -> None:
    parts.imu.loosen(severity)


def _feed_loss(parts: Breakables, severity: float) -> None:
    if parts.outside is not None:
        parts.outside.lost = severity > 0.0


FAULTS: dict[str, Callable[[Breakables, float], None]] = {
    "gnss-loss": _gnss_loss,
    "gnss-jump": _gnss_jump,
    "gnss-stuck": _gnss_stuck,
    "motor-weak": _motor_weak,
    "motor-stop": _motor_stop,
    "battery-sag": _battery_sag,
    "compass-offset": _compass_offset,
    "compass-stuck": _compass_stuck,
    "barometer-drift": _barometer_drift,
    "barometer-stuck": _barometer_stuck,
    "imu-clipping": _imu_clipping,
    "feed-loss": _feed_loss,
}
"""Each takes the parts and the severity: 1 is what is written here, 0 mends."""


class FaultSchedule:
    """Switches faults on and off as flight time passes; call `step` with rising ticks of 10 ms."""

    __slots__ = ("_due", "_next", "_parts")

    def __init__(self, faults: tuple[Fault, ...], parts: Breakables) -> None:
        due: list[tuple[int, int, Fault, float]] = []
        for number, fault in enumerate(faults):
            if fault.inject in FAULTS:
                due.append((round(fault.at_s * 100), number, fault, fault.severity))
                if fault.for_s is not None:
                    due.append((round((fault.at_s + fault.for_s) * 100), number, fault, 0.0))
        self._due, self._next, self._parts = sorted(due, key=lambda entry: entry[:2]), 0, parts

    def step(self, tick: int) -> None:
        """Does what is due at this tick."""
        while self._next < len(self._due) and self._due[self._next][0] <= tick:
            _, _, fault, severity = self._due[self._next]
            self._parts.motor = fault.unit
            FAULTS[fault.inject](self._parts, severity)
            self._next += 1

    def switch(self, kind: str, *, active: bool, severity: float = 1.0, unit: int = 1) -> bool:
        """Switches one on or off at once; False for a kind that is none of FAULTS."""
        if kind not in FAULTS:
            return False
        self._parts.motor = unit
        FAULTS[kind](self._parts, severity if active else 0.0)
        return True

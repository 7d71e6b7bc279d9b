"""Faults of the built-in vehicle: what goes wrong, when, and how the parts of the vehicle are made to show it.

A fault is a row of FAULTS: one function that switches it on and off. `link-loss` belongs to the radio, not here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import radians

from asflown.scenario.model import Fault
from asflown.sim.plant import Plant
from asflown.sim.sensors.barometer import Barometer
from asflown.sim.sensors.gnss import Gnss
from asflown.sim.sensors.magnetometer import Magnetometer

MOTOR_WEAK_SPEED = 0.9
"""Share of its speed that a weak motor reaches: it then lifts 81 %."""
BATTERY_SAG_RESISTANCE = 3.0
"""Factor on the pack's resistance: a cold or worn pack."""
COMPASS_OFFSET_RAD = radians(25.0)


@dataclass(slots=True)
class Breakables:
    """The parts that faults reach."""

    plant: Plant
    gnss: Gnss
    barometer: Barometer
    magnetometer: Magnetometer
    resistance_ohm: float


def _gnss_loss(parts: Breakables, active: bool) -> None:
    parts.gnss.lost = active


def _motor_weak(parts: Breakables, active: bool) -> None:
    parts.plant.write("rotor/health-1", MOTOR_WEAK_SPEED if active else 1.0)


def _battery_sag(parts: Breakables, active: bool) -> None:
    factor = BATTERY_SAG_RESISTANCE if active else 1.0
    parts.plant.write("battery/resistance-ohm", factor * parts.resistance_ohm)


def _compass_offset(parts: Breakables, active: bool) -> None:
    parts.magnetometer.fault_rad = COMPASS_OFFSET_RAD if active else 0.0


def _barometer_drift(parts: Breakables, active: bool) -> None:
    parts.barometer.drifting = active


FAULTS: dict[str, Callable[[Breakables, bool], None]] = {
    "gnss-loss": _gnss_loss,
    "motor-weak": _motor_weak,
    "battery-sag": _battery_sag,
    "compass-offset": _compass_offset,
    "barometer-drift": _barometer_drift,
}


class FaultSchedule:
    """Switches faults on and off as flight time passes; call `step` with rising ticks of 10 ms."""

    __slots__ = ("_due", "_next", "_parts")

    def __init__(self, faults: tuple[Fault, ...], parts: Breakables) -> None:
        due: list[tuple[int, int, str, bool]] = []
        for number, fault in enumerate(faults):
            if fault.inject in FAULTS:
                due.append((round(fault.at_s * 100), number, fault.inject, True))
                if fault.for_s is not None:
                    due.append((round((fault.at_s + fault.for_s) * 100), number, fault.inject, False))
        self._due, self._next, self._parts = sorted(due), 0, parts

    def step(self, tick: int) -> None:
        """Does what is due at this tick."""
        while self._next < len(self._due) and self._due[self._next][0] <= tick:
            _, _, kind, active = self._due[self._next]
            FAULTS[kind](self._parts, active)
            self._next += 1

    def switch(self, kind: str, *, active: bool) -> bool:
        """Switches one on or off at once; False for a kind that is none of FAULTS."""
        if kind not in FAULTS:
            return False
        FAULTS[kind](self._parts, active)
        return True

"""MAV_CMD_INJECT_FAILURE: which fault of this vehicle a unit and a kind of failure select.

Units and kinds are the open enumerations FAILURE_UNIT and FAILURE_TYPE. What the vehicle cannot break is
UNSUPPORTED; what the enumerations do not have is DENIED. FAILURE_TYPE_OK mends everything of a unit. Faults of a
scenario and of this command switch the same things: the last one holds.
"""

from __future__ import annotations

from pymavlink.dialects.v20 import common as mav

from asflown.sim.answer import ACCEPTED, DENIED, UNSUPPORTED, Answer
from asflown.sim.commands import Command
from asflown.sim.interface import FlightCore

_OK, _OFF, _STUCK = mav.FAILURE_TYPE_OK, mav.FAILURE_TYPE_OFF, mav.FAILURE_TYPE_STUCK
_GARBAGE, _WRONG = mav.FAILURE_TYPE_GARBAGE, mav.FAILURE_TYPE_WRONG

FAILURES: dict[tuple[int, int], str] = {
    (mav.FAILURE_UNIT_SENSOR_GPS, _OFF): "gnss-loss",
    (mav.FAILURE_UNIT_SENSOR_GPS, _WRONG): "gnss-jump",
    (mav.FAILURE_UNIT_SENSOR_GPS, _STUCK): "gnss-stuck",
    (mav.FAILURE_UNIT_SENSOR_MAG, _WRONG): "compass-offset",
    (mav.FAILURE_UNIT_SENSOR_MAG, _STUCK): "compass-stuck",
    (mav.FAILURE_UNIT_SENSOR_BARO, _WRONG): "barometer-drift",
    (mav.FAILURE_UNIT_SENSOR_BARO, _STUCK): "barometer-stuck",
    (mav.FAILURE_UNIT_SENSOR_VIO, _OFF): "feed-loss",
    (mav.FAILURE_UNIT_SENSOR_ACCEL, _GARBAGE): "imu-clipping",
    (mav.FAILURE_UNIT_SYSTEM_BATTERY, _WRONG): "battery-sag",
    (mav.FAILURE_UNIT_SYSTEM_MOTOR, _OFF): "motor-stop",
    (mav.FAILURE_UNIT_SYSTEM_MOTOR, _WRONG): "motor-weak",
}
"""The fault, by the name it has in a scenario; those that the flight core does not know are refused."""

_ONLY_INSTANCE = (None, 0, 1)


class FaultCommands:
    """Switches faults of one core."""

    def __init__(self, core: FlightCore) -> None:
        self._core = core

    def inject(self, command: Command) -> Answer:
        """Parameters: unit, kind, instance (0: all, 1: the only one there is)."""
        unit, kind = command.whole(1), command.whole(2)
        if unit is None or kind is None:
            return Answer(DENIED)
        if unit not in mav.enums["FAILURE_UNIT"] or kind not in mav.enums["FAILURE_TYPE"]:
            return Answer(DENIED)
        if command.whole(3) not in _ONLY_INSTANCE:
            return Answer(UNSUPPORTED, "failure refused: there is one unit of each")
        if kind == _OK:
            return self._mend(unit)
        fault = FAILURES.get((unit, kind))
        if fault is None or not self._core.set_fault(fault, active=True):
            return Answer(UNSUPPORTED, "failure refused: this unit does not fail in this way")
        return Answer(ACCEPTED)

    def _mend(self, unit: int) -> Answer:
        mended = [
            self._core.set_fault(fault, active=False) for (of, _), fault in FAILURES.items() if of == unit
        ]
        return Answer(ACCEPTED if any(mended) else UNSUPPORTED)

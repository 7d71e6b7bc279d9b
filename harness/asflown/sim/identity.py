"""How the built-in vehicle numbers things: autopilot, vehicle type, modes, and what it asks of a set-point stream.

A mode has one number for the whole flight; no two modes share one. A pair (main, sub) from a vehicle file is
packed into the 32 bits of `custom_mode` as main << 16 | sub << 24. The vehicle's own numbers lie outside every
mode table of the installed pymavlink, so that no script mistakes one of its modes for another vehicle's.
"""

from __future__ import annotations

from enum import StrEnum

from pymavlink.dialects.v20 import common as mav

from asflown.errors import VehicleProblem
from asflown.scenario.model import Identity


class ModeName(StrEnum):
    """The modes, by the names that vehicle files use."""

    POSITION_HOLD = "position-hold"
    SET_POINTS = "set-points"
    SAFE_RECOVERY = "safe-recovery"
    MISSION = "mission"
    LAND = "land"
    TAKE_OFF = "take-off"
    ORBIT = "orbit"

    @property
    def words(self) -> str:
        """The name as it stands in a message for people."""
        return self.value.replace("-", " ")


OWN_NUMBERS: dict[ModeName, int] = {
    ModeName.POSITION_HOLD: 4301,
    ModeName.SET_POINTS: 4302,
    ModeName.SAFE_RECOVERY: 4303,
    ModeName.MISSION: 4304,
    ModeName.LAND: 4305,
    ModeName.TAKE_OFF: 4306,
    ModeName.ORBIT: 4307,
}
"""The modes that the built-in vehicle can fly, with the numbers of its own."""

STANDARD_MODES: dict[ModeName, int] = {
    ModeName.POSITION_HOLD: 1,
    ModeName.ORBIT: 2,
    ModeName.SAFE_RECOVERY: 5,
    ModeName.MISSION: 6,
    ModeName.LAND: 7,
    ModeName.TAKE_OFF: 8,
}
"""MAV_STANDARD_MODE of each mode that has one; 0 (non-standard) for the others."""


def packed(number: int | tuple[int, int]) -> int:
    """The `custom_mode` of a mode number or of a pair (main, sub)."""
    return number if isinstance(number, int) else number[0] << 16 | number[1] << 24


class Numbering:
    """The numbers of one craft: its own, or what the vehicle file's `identity` puts in their place."""

    def __init__(self, identity: Identity) -> None:
        """Raises VehicleProblem when one number is given to two modes."""
        self.autopilot = _or(identity.autopilot, mav.MAV_AUTOPILOT_GENERIC)
        self.vehicle_type = _or(identity.vehicle_type, mav.MAV_TYPE_QUADROTOR)
        self._given = {mode: identity.modes.get(mode.value, number) for mode, number in OWN_NUMBERS.items()}
        self._modes = {packed(number): mode for mode, number in self._given.items()}
        if len(self._modes) < len(self._given):
            raise VehicleProblem(
                f"identity.modes gives one number to two modes: {self._table()}",
                "Give each mode a number of its own",
            )

    def number(self, mode: ModeName) -> int:
        """The `custom_mode` that stands for `mode`."""
        return packed(self._given[mode])

    def mode(self, custom_mode: int) -> ModeName | None:
        """The mode that `custom_mode` stands for, or None."""
        return self._modes.get(custom_mode)

    def mode_of_command(self, main: int, sub: int) -> ModeName | None:
        """The mode that MAV_CMD_DO_SET_MODE asks for: by its packed number, or by main and sub apart."""
        for mode, given in self._given.items():
            if given == (main, sub) or (packed(given) == main and sub == 0):
                return mode
        return None

    def modes(self) -> tuple[ModeName, ...]:
        """The modes this vehicle can fly, in a fixed order."""
        return tuple(self._given)

    def _table(self) -> str:
        return ", ".join(f"{mode} = {number}" for mode, number in self._given.items())


def _or(number: int | None, default: int) -> int:
    return int(default) if number is None else number

"""What the guard is told of a flight: limits, and the plain facts of the vehicle that it needs. Travels as JSON."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import BaseModel, ConfigDict

from asflown.scenario.model import GuardLimits, ModeName, ModeNumber, VehicleFile
from asflown.sim.identity import OWN_NUMBERS, packed
from asflown.vehicle.builtin import RETURN_HEIGHT, return_height_m


class GuardTerms(BaseModel):
    """Frozen; SI."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    limits: GuardLimits = GuardLimits()
    system: int = 1
    may_arm: bool = True
    """False for a bench until somebody says that nothing can turn: then a script that asks to arm is cut off."""
    modes: dict[ModeName, ModeNumber] = {}
    """How this vehicle numbers its modes; what is not there is learnt from CURRENT_MODE, if it is sent."""
    pilot_modes: tuple[int, ...] = ()
    set_point_time_out_s: float = 0.5
    return_height_parameter: str | None = None
    return_height_unit_m: float = 1.0
    return_height_m: float | None = None
    """Least height of a return, as known before the flight; the guard follows the parameter when it changes."""
    bytewise_parameters: bool = False

    def names(self) -> dict[int, ModeName]:
        """The modes by the number that HEARTBEAT has."""
        return {packed(number): name for name, number in self.modes.items()}


def terms_for(limits: GuardLimits, vehicle: VehicleFile) -> GuardTerms:
    """The terms of a flight with this vehicle."""
    identity = vehicle.identity
    known: Mapping[ModeName, ModeNumber] = {}
    height_m, parameter, unit_m = None, None, 1.0
    if vehicle.kind == "built-in":
        known = {mode.value: number for mode, number in OWN_NUMBERS.items()}
        height_m, parameter = return_height_m(vehicle), RETURN_HEIGHT
    elif vehicle.preflight.return_height is not None:
        height = vehicle.preflight.return_height
        parameter, unit_m = height.parameter, height.unit_m
    return GuardTerms(
        limits=limits,
        system=vehicle.system,
        may_arm=vehicle.kind != "bench",
        modes={**known, **identity.modes},
        pilot_modes=identity.pilot_modes,
        set_point_time_out_s=identity.set_point_stream.time_out_s,
        return_height_parameter=parameter,
        return_height_unit_m=unit_m,
        return_height_m=height_m,
        bytewise_parameters=identity.parameter_encoding == "bytewise",
    )

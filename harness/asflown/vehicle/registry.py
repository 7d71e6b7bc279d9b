"""From a vehicle file to the vehicle of its kind."""

from __future__ import annotations

from asflown.clock.base import Clock
from asflown.errors import VehicleProblem
from asflown.scenario.model import Conditions, Scenario, Start, VehicleFile
from asflown.scenario.vehicle_file import BUILT_IN
from asflown.vehicle.base import Vehicle
from asflown.vehicle.builtin import BuiltIn


def open_vehicle(clock: Clock, file: VehicleFile, scenario: Scenario, seed: int) -> Vehicle:
    """The vehicle that `file` describes, under the scenario's start and conditions; not powered up yet.

    Raises VehicleProblem when it cannot be had.
    """
    return open_built_in(clock, file, scenario.start, scenario.conditions, seed)


def open_built_in(
    clock: Clock, file: VehicleFile, start: Start, conditions: Conditions, seed: int
) -> Vehicle:
    """The built-in vehicle that `file` describes, not powered up yet.

    Raises VehicleProblem when it is of another kind, or of an airframe or release that does not exist.
    """
    if file.kind != "built-in":
        raise VehicleProblem(
            f"vehicle {file.name} is of kind {file.kind}, which this version cannot fly",
            f"Fly a built-in one: {', '.join(built_in_names())}",
        )
    return BuiltIn(clock, file, start, conditions, seed)


def built_in_names() -> tuple[str, ...]:
    """The vehicles that need no file."""
    return BUILT_IN

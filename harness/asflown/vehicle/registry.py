"""From a vehicle file to the vehicle of its kind."""

from __future__ import annotations

from pathlib import Path

from asflown.clock.base import Clock
from asflown.errors import VehicleProblem
from asflown.scenario.model import Conditions, Scenario, Start, VehicleFile
from asflown.scenario.vehicle_file import BUILT_IN
from asflown.vehicle.base import Vehicle
from asflown.vehicle.builtin import BuiltIn


def open_vehicle(clock: Clock, file: VehicleFile, scenario: Scenario, seed: int, folder: Path) -> Vehicle:
    """The vehicle that `file` describes, under the scenario's start and conditions; a built-in one is not powered yet.

    What a container writes goes into the flight's `folder`. Raises VehicleProblem when it cannot be had.
    """
    if file.kind == "container":
        check_faults(file, scenario, {"link-loss"})
        from asflown.vehicle.container import ContainerVehicle  # noqa: PLC0415 - heavy, and not for everybody

        return ContainerVehicle(clock, file, scenario, seed, folder)
    return open_built_in(clock, file, scenario.start, scenario.conditions, seed)


def check_faults(file: VehicleFile, scenario: Scenario, possible: set[str]) -> None:
    """Raises VehicleProblem when the scenario injects a fault that is not among those `possible`."""
    for fault in scenario.conditions.faults:
        if fault.inject not in possible:
            raise VehicleProblem(
                f"scenario {scenario.name} injects {fault.inject}, which a vehicle of kind {file.kind} cannot be given",
                "Fly it on a built-in vehicle, or without that fault",
            )


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

"""Flies the simulation of what a real vehicle is about to fly: this very script, with these expectations and guard."""

from __future__ import annotations

from pathlib import Path

from asflown.clock.wall import Stopwatch
from asflown.errors import FlightError
from asflown.flight.conductor import fly
from asflown.flight.plan import FlightPlan
from asflown.flight.preflight import Item
from asflown.grade.grade import grade_flight, write_grade
from asflown.scenario.file import LoadedScenario
from asflown.scenario.model import VehicleFile
from asflown.scenario.vehicle_parts import Firmware

NAME = "simulation"


def rehearse(loaded: LoadedScenario, file: VehicleFile, keep: Path) -> Item:
    """What the simulation says of the scenario with the built-in vehicle that stands for `file`, in its numbering.

    Raises UsageError for what must be mended before anything can fly.
    """
    if file.simulates is None:
        todo = "Add `simulates: palm80` (or field1400) to the vehicle file: whichever is nearer to it"
        return Item(NAME, False, "no simulated vehicle stands for it", todo)
    watch = Stopwatch()
    plan = FlightPlan(loaded, stand_in(file), _seed(loaded), "any", keep)
    try:
        result = fly(plan, lambda at: None)
    except FlightError as error:
        return Item(NAME, False, f"could not be flown: {error}", "Mend that first")
    grade = grade_flight(result.folder, loaded.scenario)
    write_grade(result.folder, grade)
    took = f"{file.simulates}, {watch.seconds():.1f} s, script {result.manifest.script_sha256[:12]}"
    if grade.verdict == "pass":
        return Item(NAME, True, f"pass ({took})")
    reason = grade.reason or "see its report"
    again = f"asflown fly {loaded.file} --vehicle {file.simulates}"
    return Item(
        NAME, False, f"{grade.verdict}: {reason} ({took})", f"Mend the script or the scenario: {again}"
    )


def stand_in(file: VehicleFile) -> VehicleFile:
    """The built-in vehicle that is flown in place of `file`, with its numbering of modes."""
    identity = file.identity.model_copy(update={"firmware": Firmware()})
    return VehicleFile(
        name=f"{file.simulates}-for-{file.name}"[:60],
        kind="built-in",
        airframe=file.simulates,
        system=file.system,
        identity=identity,
        radio=file.radio,
    )


def _seed(loaded: LoadedScenario) -> int:
    seeds = loaded.scenario.repeat.seeds
    return seeds[0] if seeds else 1

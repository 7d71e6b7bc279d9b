"""Jobs for tests that fly nothing."""

from __future__ import annotations

from pathlib import Path

from asflown.cli.jobs import Job
from asflown.flight.plan import FlightPlan
from asflown.scenario.file import load_scenario
from asflown.scenario.vehicle_file import load_vehicle

SCENARIO = """\
asflown: 1
name: hop
vehicle: palm80
script: {run: [python, hop.py, "{link}"]}
expect: {measures: {duration: {at_most: 30 s}}}
"""


def scenario_file(folder: Path, name: str = "hop") -> Path:
    """A valid scenario with its script, in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "hop.py").write_text("")
    file = folder / f"{name}.scenario.yaml"
    file.write_text(SCENARIO.replace("name: hop", f"name: {name}"))
    return file


def job(number: int, seed: int, keep: Path) -> Job:
    """A job of a made-up scenario on palm80."""
    plan = FlightPlan(load_scenario(scenario_file(keep)), load_vehicle("palm80"), seed, "any", keep)
    return Job(number, 0, plan)

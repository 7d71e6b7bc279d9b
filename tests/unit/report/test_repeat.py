"""The command that flies a flight again."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import pytest

from asflown.record.manifest import VehicleRecord
from asflown.report.repeat import again, repeat_line
from tests.unit.report.builders import flown, manifest

PACED = {"asked": "any", "kind": "paced", "deterministic": False, "reason": "python -I"}


def test_repeat_line_names_scenario_vehicle_and_seed() -> None:
    """One more flight of the same seed on the same vehicle."""
    assert repeat_line(manifest()) == (
        "asflown fly scenarios/nest_boxes/nest-boxes.scenario.yaml --vehicle palm80 --flights 1 --seed 7"
    )


@pytest.mark.parametrize("asked", ["lockstep", "paced"])
def test_repeat_line_asks_for_the_same_clock(asked: str) -> None:
    """A clock that was demanded is demanded again."""
    assert f" --clock {asked}" in repeat_line(manifest(clock={"asked": asked}))


@pytest.mark.parametrize(
    ("vehicle", "asked", "named"),
    [
        ({"name": "palm80", "airframe": "palm80", "release": "r2"}, None, "--vehicle palm80@r2 "),
        ({"name": "palm80", "airframe": "palm80", "release": "r2"}, "palm80@r2", "--vehicle palm80@r2 "),
        ({"name": "own", "airframe": "palm80", "release": "r1"}, "own.vehicle.yaml", "--vehicle own.vehicle.yaml "),
        ({"name": "own", "airframe": "palm80", "release": "r1"}, None, ""),
    ],
    ids=["release", "asked", "file", "of the scenario"],
)  # fmt: skip
def test_the_vehicle_is_named_as_it_can_be_found_again(
    vehicle: dict[str, Any], asked: str | None, named: str
) -> None:
    """As the command named it; a built-in one by name and release; the scenario's own file is found by the scenario."""
    record = VehicleRecord(kind="built-in", **vehicle)
    line = repeat_line(manifest(vehicle=record, vehicle_asked=asked))
    assert line == f"asflown fly scenarios/nest_boxes/nest-boxes.scenario.yaml {named}--flights 1 --seed 7"


def test_a_paced_flight_says_that_it_will_not_be_bit_identical() -> None:
    """The line of a flight that was not deterministic promises nothing."""
    assert repeat_line(manifest(clock=PACED)).endswith("--seed 7  # paced: not bit-identical")


def test_a_capture_from_elsewhere_is_graded_again() -> None:
    """What nobody here flew cannot be flown again: its line grades the capture once more."""
    record = VehicleRecord(name="field-day", kind="unknown")
    capture = flown(folder=Path("field day.tlog"), vehicle=record, scenario_file="my.scenario.yaml")
    assert again(capture) == "asflown grade 'field day.tlog' --scenario my.scenario.yaml"
    assert again(flown()) == repeat_line(manifest())


def test_a_shell_reads_the_same_words() -> None:
    """File names with spaces and quotes survive the shell."""
    line = repeat_line(manifest(scenario_file="it's here/a b.scenario.yaml"))
    assert shlex.split(line)[2] == "it's here/a b.scenario.yaml"

"""The command that flies a flight again."""

from __future__ import annotations

import shlex

import pytest

from asflown.report.repeat import repeat_line
from tests.unit.report.builders import manifest

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


def test_a_paced_flight_says_that_it_will_not_be_bit_identical() -> None:
    """The line of a flight that was not deterministic promises nothing."""
    assert repeat_line(manifest(clock=PACED)).endswith("--seed 7  # paced: not bit-identical")


def test_a_shell_reads_the_same_words() -> None:
    """File names with spaces and quotes survive the shell."""
    line = repeat_line(manifest(scenario_file="it's here/a b.scenario.yaml"))
    assert shlex.split(line)[2] == "it's here/a b.scenario.yaml"

"""Sensitivity flown for real: a disturbance that the scenario catches from a known level on."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.campaign.executor import Local
from asflown.campaign.sensitivity import Disturbance, Flights, Level
from asflown.campaign.store import Store
from asflown.scenario.file import load_scenario
from tests.flights.flying import write_scenario
from tests.flights.test_conditions import SCRIPT

MORE = """\
    - {name: upright, always: "tilt < 10 deg"}
conditions:
  wind: {speed: 0 m/s, gusts: [{at: 8 s, speed: 0.1 m/s, for: 3 s, from: 0 deg}]}
"""


@pytest.mark.flight
def test_a_gust_is_caught_by_the_rule_that_sees_it(tmp_path: Path) -> None:
    """It flies as it did with a breath of wind, and leans too far in a strong gust."""
    loaded = load_scenario(write_scenario(tmp_path, SCRIPT, more=MORE))
    levels = tuple(Level(size, {"conditions.wind.gusts.0.speed": size}) for size in ("0.3 m/s", "6 m/s"))
    flights = Flights(loaded, "palm80", 7, Local(1), Store(tmp_path / "kept"))
    assert flights.undisturbed().verdict == "pass"
    (found,) = flights.disturbed([Disturbance("vehicle", "is pushed", levels)])
    assert (found.size, found.passes, found.caught_by) == ("6 m/s", "0.3 m/s", ("upright",))

"""The baselines of the demos: there, readable, as they would be written, and of the tolerances of today."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.change.baseline_judge import loosened_since
from asflown.change.baseline_model import baseline_text, read_baseline
from asflown.change.baseline_places import FOLDER, baselines_in
from asflown.scenario.file import find_scenarios, load_scenario
from tests.unit.source import ROOT

SCENARIOS = tuple(find_scenarios((ROOT / "scenarios",)))


@pytest.mark.parametrize("file", SCENARIOS, ids=lambda file: file.name.partition(".")[0])
def test_a_demo_has_a_baseline_of_its_vehicle(file: Path) -> None:
    """On the first release; its text is what asflown writes; no tolerance was widened since; all flights are there."""
    scenario = load_scenario(file).scenario
    (kept,) = baselines_in(file.parent / FOLDER)
    baseline = read_baseline(kept)
    assert (baseline.scenario, baseline.vehicle, baseline.release) == (scenario.name, scenario.vehicle, "r1")
    assert kept.read_text(encoding="utf-8") == baseline_text(baseline)
    assert list(loosened_since(baseline, scenario)) == []
    assert len(baseline.seeds) >= 10
    assert set(scenario.repeat.seeds) <= set(baseline.seeds)
    assert baseline.path

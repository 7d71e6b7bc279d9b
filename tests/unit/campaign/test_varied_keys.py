"""The table of what campaigns vary, in the guide: each key can be varied as the table has it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from asflown.campaign.campaign import campaign_of
from asflown.campaign.plan import drawn
from asflown.scenario.file import load_scenario, with_given
from tests.unit.source import ROOT

ROW = re.compile(r"^\| .+ \| `([a-z_.0-9]+)` \| `(\{.+\})` \|$", re.MULTILINE)
ROWS = ROW.findall((ROOT / "harness" / "docs" / "campaigns.md").read_text(encoding="utf-8"))
SCENARIO = """\
asflown: 1
name: varied
vehicle: palm80
script: {{run: [python, script.py, "{{{{link}}}}"], time_limit: 60 s}}
expect: {{path: {{legs: [{{climb: {{to: 2 m}}}}, {{land: {{}}}}]}}}}
conditions:
  wind: {{gusts: [{{at: 3 s, speed: 2 m/s, for: 2 s}}]}}
  faults: [{{at: 3 s, inject: gnss-jump}}]
  position_feed: {{every: 0.05 s}}
campaign:
  flights: 8
  vary:
    {key}: {distribution}
"""


def test_the_table_is_there() -> None:
    """With everything that users vary."""
    assert len(ROWS) == 20


@pytest.mark.parametrize(("key", "distribution"), ROWS, ids=[key for key, _ in ROWS])
def test_each_key_can_be_varied(tmp_path: Path, key: str, distribution: str) -> None:
    """Every flight of such a campaign is a scenario that holds, and they differ."""
    (tmp_path / "script.py").touch()
    file = tmp_path / "varied.scenario.yaml"
    file.write_text(SCENARIO.format(key=key, distribution=distribution), encoding="utf-8")
    loaded = load_scenario(file)
    flown = {
        with_given(loaded, one.given).scenario.model_dump_json(exclude={"campaign"})
        for one in drawn(campaign_of(loaded), "varied")
    }
    assert len(flown) > 1

"""The demo scenarios as users fly them: both clocks agree, and what is wrong on purpose is caught by name."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.flights.flying import SCENARIOS, fly

DEMOS = ["nest_boxes", "weir_gauge"]
ALIKE = {"cross_track_p95": 0.5, "vertical_p95": 0.4, "landing_offset": 0.7, "dwell_at_holds": 0.5}
"""How far a measure may differ between two clocks, in its unit: chance enters at other moments."""


def measures(flight: dict[str, Any]) -> dict[str, float]:
    """Value by name."""
    return {measure["name"]: measure["value"] for measure in flight["measures"]}


@pytest.mark.parametrize("demo", DEMOS)
def test_both_clocks_give_the_same_verdict(demo: str, tmp_path: Path) -> None:
    """A demo passes in lockstep and in wall time, with measures that differ little."""
    flights = {}
    for clock in ("lockstep", "paced"):
        (tmp_path / clock).mkdir()
        flown = fly(tmp_path / clock, SCENARIOS / demo, "--flights", "1", "--clock", clock, timeout_s=400)
        assert flown.exit_code == 0, flown.says()
        flights[clock] = flown.flight
        assert flown.flight["clock"] == clock
    lockstep, paced = measures(flights["lockstep"]), measures(flights["paced"])
    assert lockstep.keys() == paced.keys()
    for name, allowed in ALIKE.items():
        if name in lockstep:
            assert abs(lockstep[name] - paced[name]) < allowed, name

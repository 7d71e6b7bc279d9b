"""Releases of the built-in flight controller on the demos: the retune passes, the mistake shows in wind alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.flights.flying import SCENARIOS, fly

RELEASES = {
    "r2 in wind": ("nest_boxes/nest-boxes", "palm80@r2", 0),
    "r3 under glass": ("glasshouse_rows/glasshouse-rows", "palm80@r3", 0),
    "r3 in light wind": ("radio_shadow/radio-shadow", "field1400@r3", 0),
    "r3 in wind, small": ("low_battery_walk_back/low-battery-walk-back", "palm80@r3", 1),
    "r3 in gusts": ("weir_gauge/weir-gauge", "field1400@r3", 1),
}
"""Scenario, vehicle, exit code."""


@pytest.mark.flight
@pytest.mark.parametrize(("scenario", "vehicle", "exit_code"), RELEASES.values(), ids=RELEASES.keys())
def test_a_release_passes_where_it_should(
    scenario: str, vehicle: str, exit_code: int, tmp_path: Path
) -> None:
    """With the first seed; where r3 fails, it is its path that is wrong."""
    flown = fly(tmp_path, SCENARIOS / f"{scenario}.scenario.yaml", "--vehicle", vehicle, "--flights", "1")
    assert flown.exit_code == exit_code, flown.says()
    failed = {measure["name"] for measure in flown.flight["measures"] if (measure["margin"] or 0) < 0}
    assert ("cross_track_p95" in failed) is (exit_code == 1)

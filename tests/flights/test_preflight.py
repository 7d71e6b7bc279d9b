"""`asflown vehicle preflight` as a user calls it, with the built-in vehicle at the end of a real UDP link."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from asflown.link.ports import free_udp_port
from tests.flights.flying import SCENARIOS, command
from tests.flights.stand_in import load_fence, served, vehicle_file

pytestmark = [pytest.mark.flight, pytest.mark.wall_time]
SCENARIO = SCENARIOS / "nest_boxes" / "nest-boxes.scenario.yaml"


def preflight(folder: Path, vehicle: str | Path, *more: str | Path) -> subprocess.CompletedProcess[str]:
    """Runs the command in `folder`."""
    words = command("vehicle", "preflight", vehicle, "--scenario", SCENARIO, *more)
    return subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)


def test_simulation_first_and_then_every_item_on_the_vehicle(tmp_path: Path) -> None:
    """Passes with its fence, and says the same as JSON; of a vehicle without its fence it says what to do."""
    port = free_udp_port()
    vehicle = vehicle_file(tmp_path, f"udp://127.0.0.1:{port}")
    with served(f"udp-listen://127.0.0.1:{port}", "--pace", "4"):
        before = preflight(tmp_path, vehicle)
        load_fence(f"udpout:127.0.0.1:{port}")
        after = preflight(tmp_path, vehicle, "--json", tmp_path / "found.json")
    assert (before.returncode, after.returncode) == (3, 0)
    assert "NO   fence" in before.stdout
    assert "Load a fence with your ground program" in before.stdout
    found = json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))
    assert (found["vehicle"], found["scenario"], found["passed"]) == ("stand-in", "nest-boxes", True)
    assert [item["name"] for item in found["items"]][:3] == ["simulation", "guard", "identity"]
    assert found["seconds"] < 20


def test_a_simulated_vehicle_needs_none(tmp_path: Path) -> None:
    """It says so, and how to fly it."""
    done = preflight(tmp_path, "palm80")
    assert done.returncode == 3
    assert "vehicle palm80 is of kind built-in, which needs no preflight. Fly it: asflown fly" in done.stderr

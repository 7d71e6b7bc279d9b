"""`asflown vehicle preflight` as a user calls it, with the built-in vehicle at the end of a real UDP link."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from asflown.link.ports import free_udp_port
from asflown.record.manifest import read as read_manifest
from tests.flights.flying import COMMANDING, HELLO, SCENARIOS, command, write_scenario
from tests.flights.operated import ANSWERS, run_on_terminal
from tests.flights.stand_in import load_fence, served, vehicle_file

pytestmark = [pytest.mark.flight, pytest.mark.wall_time]
UP_AND_DOWN = (
    COMMANDING
    + """\
def wait(holds):
    while not holds(link.recv_match(type=["LOCAL_POSITION_NED", "HEARTBEAT"], blocking=True)):
        link.mav.heartbeat_send(6, 8, 0, 0, 0)
command(400, 1)
command(22, 0, 0, 0, 0, 0, 0, 2)
wait(lambda m: m.get_type() == "LOCAL_POSITION_NED" and m.z < -1.8)
command(21)
wait(lambda m: m.get_type() == "HEARTBEAT" and m.autopilot != 8 and not m.base_mode & 128)
"""
)
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


@pytest.mark.parametrize(
    ("reason", "code"),
    [("the fence loader is broken, flying at 2 m over grass", 0), ("because", 3)],
    ids=["a reason", "no reason"],
)
def test_preflight_blocks_unless_a_person_types_a_reason(tmp_path: Path, reason: str, code: int) -> None:
    """Without its fence the vehicle does not fly; a reason typed on the terminal is kept with every item."""
    port = free_udp_port()
    vehicle = vehicle_file(tmp_path, f"udp://127.0.0.1:{port}")
    guard = "guard: {height: 8 m, distance: 40 m, battery: 10 %}\n"
    scenario = write_scenario(tmp_path, HELLO + UP_AND_DOWN, more=guard)
    answers = {**ANSWERS, "Type the reason to fly": reason}
    with served(f"udp-listen://127.0.0.1:{port}"):
        ended, shown = run_on_terminal(
            command("fly", scenario, "--vehicle", vehicle, "--keep", tmp_path / "flights"), tmp_path, answers
        )
    (manifest,) = [
        found
        for found in (read_manifest(folder) for folder in sorted((tmp_path / "flights").glob("2*")))
        if found.vehicle.kind == "airframe"
    ]
    assert [item["name"] for item in manifest.preflight["items"] if not item["passed"]] == ["fence"]
    assert ended == code, shown
    assert manifest.preflight.get("override") == (reason if code == 0 else None)
    assert ("preflight says no (fence: none)" in manifest.problem) == (code == 3)

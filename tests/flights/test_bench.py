"""A flight on a bench with simulated physics: our own flight controller behind two pseudo terminals."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from typing import Any, TypeAlias

import numpy as np
import pytest

from asflown.record import truth
from asflown.record.manifest import Manifest
from asflown.record.manifest import read as read_manifest
from asflown.scenario.vehicle_file import load_vehicle
from asflown.vehicle.rig_lock import RigLock, lock_path
from tests.flights.benches import rig
from tests.flights.flying import COMMANDING, HELLO, Flown, command, fly, write_scenario

GUARD = "guard: {height: 8 m, distance: 40 m, battery: 10 %}\n"
SCRIPT = (
    COMMANDING
    + """\
def wait(holds):
    while not holds(link.recv_match(type=["LOCAL_POSITION_NED", "HEARTBEAT"], blocking=True)):
        link.mav.heartbeat_send(6, 8, 0, 0, 0)
command(400, 1)
command(22, 0, 0, 0, 0, 0, 0, 2)
wait(lambda m: m.get_type() == "LOCAL_POSITION_NED" and m.z < -1.8)
command(21)
wait(lambda m: m.get_type() == "HEARTBEAT" and not m.base_mode & 128)
"""
)

Refused: TypeAlias = "subprocess.CompletedProcess[str]"

pytestmark = [pytest.mark.slow, pytest.mark.flight, pytest.mark.wall_time]


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Flown, Refused]]:
    """One flight by the command, and what a second run was told meanwhile."""
    folder = tmp_path_factory.mktemp("bench")
    scenario = write_scenario(folder, HELLO + SCRIPT, time_limit="60 s", more=GUARD)
    with rig(folder) as file:
        lock = RigLock(lock_path(load_vehicle(str(file))))
        refused = subprocess.run(
            command("fly", scenario, "--vehicle", file, "--keep", folder / "second"),
            cwd=folder, capture_output=True, text=True, check=False,
        )  # fmt: skip
        lock.release()
        yield fly(folder, scenario, "--vehicle", file), refused


def manifest_of(flown: tuple[Flown, Refused]) -> Manifest:
    """The flight's manifest."""
    (folder,) = [each for each in flown[0].folders if read_manifest(each).vehicle.kind == "bench"]
    return read_manifest(folder)


def test_its_path_is_graded_and_passes(flown: tuple[Flown, Refused]) -> None:
    """The script is the one that flies the built-in vehicle; nothing in it knows of the bench."""
    assert flown[0].exit_code == 0, flown[0].says()
    assert manifest_of(flown).outcome == "completed"


def test_it_armed_because_its_sensors_were_simulated_and_nobody_was_asked(
    flown: tuple[Flown, Refused],
) -> None:
    """The controller said so in HEARTBEAT; the rig's file says that it is unattended."""
    manifest = manifest_of(flown)
    assert manifest.vehicle.facts["arming_allowed_by"] == "simulated sensors"
    assert manifest.operator == {"unattended": "bench"}


def test_the_manifest_tells_how_regular_the_physics_were(flown: tuple[Flown, Refused]) -> None:
    """250 beats for each second, the overruns among them, and the bytes of the sensors' link."""
    beats: dict[str, Any] = manifest_of(flown).vehicle.facts["physics_beats"]
    assert beats["count"] > 250 * 10
    assert 0 <= beats["overruns"] <= beats["count"]
    assert 0 < beats["period_us_p50"] <= beats["period_us_p99"] <= beats["period_us_worst"] + 10
    assert beats["link"]["frames_in"] > beats["count"] / 2


def test_truth_comes_from_our_plant(flown: tuple[Flown, Refused]) -> None:
    """100 rows a second in flight time, up to two metres and down again."""
    (folder,) = [each for each in flown[0].folders if read_manifest(each).vehicle.kind == "bench"]
    rows = truth.read(folder)
    assert np.diff(rows[:, 0]) == pytest.approx(0.01)
    assert 1.5 < -rows[:, 3].min() < 3.0
    assert abs(rows[-1, 3]) < 0.1
    assert manifest_of(flown).flight_time_s == pytest.approx(rows[-1, 0], abs=3.0)


def test_a_rig_in_use_is_refused(flown: tuple[Flown, Refused]) -> None:
    """The second run is told who has it, by the number of the process, and could not fly: exit code 3."""
    told = " ".join((flown[1].stdout + flown[1].stderr).split())
    assert f"is in use by process {os.getpid()}" in told
    assert flown[1].returncode == 3

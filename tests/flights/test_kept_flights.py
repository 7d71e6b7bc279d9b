"""Flights through a real keeper process: a served vehicle behind a pseudo terminal, and a harness that is killed."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from asflown.record import manifest as manifests
from asflown.record.decode import columns, index
from asflown.vehicle.keeper_order import KeeperOrder
from tests.flights.flying import COMMANDING, HELLO, processes_of, write_scenario
from tests.unit.vehicle.test_serve import served

FLY = """
import sys
from pathlib import Path
from asflown.flight.conductor import fly
from asflown.flight.operator import Operator
from asflown.flight.plan import FlightPlan
from asflown.scenario.file import load_scenario
from asflown.scenario.vehicle_file import load_vehicle
from tests.flights.operated import AnsweringConsole
folder = Path(sys.argv[1])
loaded = load_scenario(folder / "try-out.scenario.yaml")
plan = FlightPlan(loaded, load_vehicle("craft", folder), 1, "any", folder / "flights",
                  operator=Operator(AnsweringConsole()))
fly(plan, lambda progress: print(progress.phase, round(progress.height_m, 1), flush=True))
"""
"""What the command does with a real vehicle once its simulation was flown, with an operator who confirms."""

UP = (
    COMMANDING
    + """\
command(400, 1)
command(22, 0, 0, 0, 0, 0, 0, 2)
"""
)
HANG = "time.sleep(600)\n"
VEHICLE = "asflown: 1\nname: craft\nkind: airframe\nlink: 'serial://{path}?baud=57600'\n"


@contextmanager
def flown(folder: Path, script: str, more: str = "") -> Iterator[subprocess.Popen[str]]:
    """A harness that flies `script` on an airframe stand-in."""
    write_scenario(folder, HELLO + UP + script, more=more, time_limit="60 s")
    path = folder / "tty"
    (folder / "craft.vehicle.yaml").write_text(VEHICLE.format(path=path), encoding="utf-8")
    with served("--listen", f"pty://{path}"):
        command = [sys.executable, "-c", FLY, str(folder)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as harness:
            try:
                yield harness
            finally:
                harness.kill()


def flight_folder(folder: Path) -> Path:
    """The only flight's."""
    (found,) = (folder / "flights").iterdir()
    return found


def events(folder: Path) -> list[dict[str, Any]]:
    """What was written down."""
    text = (flight_folder(folder) / "events.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def wait_for(holds: Callable[[], bool], within_s: float) -> None:
    """Waits in wall time."""
    end = time.monotonic() + within_s
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.1)


def until_up(harness: subprocess.Popen[str]) -> None:
    """Waits until the harness says that the vehicle is above one metre."""
    assert harness.stdout is not None
    for line in harness.stdout:
        phase, _, height_m = line.partition(" ")
        if phase == "flying" and float(height_m) > 1.0:
            return
    assert harness.stderr is not None
    raise AssertionError(harness.stderr.read())


def keeper_of(harness: int) -> int:
    """The process of the keeper that a harness has started."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
                if parent == harness and b"asflown.vehicle.keeper" in (entry / "cmdline").read_bytes():
                    return int(entry.name)
            except OSError:
                continue
    raise AssertionError("no keeper")


@pytest.mark.slow
@pytest.mark.flight
@pytest.mark.wall_time
def test_a_harness_that_is_killed_leaves_a_vehicle_that_comes_down(tmp_path: Path) -> None:
    """SIGKILL: the script dies with it, the keeper lands the vehicle, closes the captures and ends in its time."""
    with flown(tmp_path, HANG) as harness:
        until_up(harness)
        keeper = os.pidfd_open(keeper_of(harness.pid))
        os.kill(harness.pid, signal.SIGKILL)
        harness.wait()
        stated_s = KeeperOrder(vehicle="", captures=tmp_path, control=tmp_path).longest_end_s
        ended = bool(select.select([keeper], [], [], stated_s)[0])
        os.close(keeper)
        assert ended
    folder = flight_folder(tmp_path)
    safety = [event["what"] for event in events(tmp_path) if event["kind"] == "safety"]
    assert safety == ["guard: come-home"]
    heartbeats = columns(index(folder / "vehicle.tlog"), 0)
    assert (heartbeats["base_mode"] & 128).any()
    assert heartbeats["base_mode"][-1] & 128 == 0
    assert manifests.read(folder).outcome == "interrupted"
    assert processes_of(folder) == []


@pytest.mark.slow
@pytest.mark.flight
@pytest.mark.wall_time
def test_a_silent_script_is_cut_off_by_the_guard_in_the_keeper(tmp_path: Path) -> None:
    """The same guard as in lockstep: stop-here, come-home, and both in manifest and events."""
    with flown(tmp_path, HANG, more="guard: {script_silent: 3 s}\n") as harness:
        until_up(harness)
        wait_for(lambda: any(event.get("what") == "guard: come-home" for event in events(tmp_path)), 60)
        harness.send_signal(signal.SIGINT)
        harness.wait(60)
    manifest = manifests.read(flight_folder(tmp_path))
    assert [event.what for event in manifest.safety_events[:2]] == ["guard: stop-here", "guard: come-home"]
    changes = [(event["to"], event["by"]) for event in events(tmp_path) if event["kind"] == "mode-change"]
    assert ("safe-recovery", "guard") in changes or ("land", "guard") in changes
    assert any(event["kind"] == "cut-off" for event in events(tmp_path))

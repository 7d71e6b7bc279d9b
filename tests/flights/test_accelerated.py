"""The compiled build of the built-in vehicle (ci/accelerate) flies as its sources do, bit by bit."""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests.flights.flying import HELLO, REPOSITORY, SCENARIOS, Flown, command, fly, write_scenario
from tests.flights.test_bad_scripts import wait_for_script


def program() -> ModuleType:
    """ci/accelerate.py as a module."""
    spec = importlib.util.spec_from_file_location("accelerate", REPOSITORY / "ci" / "accelerate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled modules of .accelerated beside today's sources of the rest."""
    accelerate, there = program(), REPOSITORY / ".accelerated"
    stamp = there / accelerate.STAMP
    if not stamp.exists() or stamp.read_text(encoding="utf-8") != accelerate.compiled_from():
        pytest.skip(f"no accelerated build of these sources: {accelerate.why_not() or 'run ci/accelerate'}")
    folder: Path = shutil.copytree(there, tmp_path_factory.mktemp("compiled") / "build")
    accelerate.refresh(folder)
    return folder


def clock_of(flown: Flown) -> Any:
    """What the manifest says of the flight's clock."""
    return flown.manifest.clock


@pytest.mark.slow
@pytest.mark.flight
@pytest.mark.parametrize("scenario", ["nest_boxes", "mast_circle"])
def test_both_builds_fly_the_same(tmp_path: Path, compiled: Path, scenario: str) -> None:
    """Same verdict, even same digest; the manifest and the fingerprint tell the builds apart."""
    (tmp_path / "sources").mkdir()
    (tmp_path / "compiled").mkdir()
    asked = SCENARIOS / scenario, "--flights", "1", "--seed", "5"
    ours = fly(tmp_path / "sources", *asked, PYTHONPATH=str(REPOSITORY / "harness"))
    theirs = fly(tmp_path / "compiled", *asked, PYTHONPATH=str(compiled))
    assert (ours.exit_code, theirs.exit_code) == (0, 0)
    assert (clock_of(ours).accelerated, clock_of(theirs).accelerated) == (False, True)
    assert clock_of(ours).fingerprint != clock_of(theirs).fingerprint
    assert clock_of(ours).digest == clock_of(theirs).digest


@pytest.mark.flight
def test_a_compiled_flight_is_stopped_by_ctrl_c(tmp_path: Path, compiled: Path) -> None:
    """Also while the script computes and the vehicle lives ahead, which is all compiled code."""
    scenario = write_scenario(tmp_path, HELLO + "print('under way', flush=True)\nwhile True: pass")
    keep = tmp_path / "flights"
    run = subprocess.Popen(
        command("fly", scenario, "--keep", keep),
        stdout=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(compiled)},
    )
    wait_for_script(keep, "under way")
    run.send_signal(signal.SIGINT)
    assert run.wait(10) == 130

"""Campaigns as people run them: several processes, killed and gone on with, and each flight flown again by hand."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.flights.flying import SCENARIOS

CAMPAIGN = """\
extends: nest-boxes.scenario.yaml
name: windy
campaign:
  flights: 4
  vary:
    conditions.wind.speed: {uniform: [0 m/s, 3 m/s]}
    start.heading: {uniform: [0 deg, 360 deg]}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A demo of one's own with a campaign."""
    place = tmp_path / "demo"
    shutil.copytree(SCENARIOS / "nest_boxes", place)
    (place / "windy.scenario.yaml").write_text(CAMPAIGN, encoding="utf-8")
    return place


def start(folder: Path, *words: str) -> subprocess.Popen[str]:
    """The command, running."""
    return subprocess.Popen(
        [sys.executable, "-m", "asflown", *words],
        cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def results(folder: Path) -> list[dict[str, Any]]:
    """The lines that are written so far."""
    file = folder / "kept" / "results.jsonl"
    return [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []


@pytest.mark.flight
@pytest.mark.slow
def test_a_killed_campaign_goes_on_and_each_flight_can_be_flown_again(folder: Path) -> None:
    """SIGKILL after the first flight; the same command flies the others once; --given gives the same bytes."""
    command = ("campaign", "windy.scenario.yaml", "--workers", "2", "--into", "kept", "--json", "found.json")
    first = start(folder, *command)
    while not results(folder):
        assert first.poll() is None, first.communicate()
        time.sleep(0.1)
    first.send_signal(signal.SIGKILL)
    first.communicate()
    again = start(folder, *command)
    printed, said = again.communicate()
    assert again.returncode == 0, printed + said
    assert "all 4 flights passed" in printed
    lines = results(folder)
    assert sorted(line["number"] for line in lines) == [0, 1, 2, 3]
    assert json.loads((folder / "found.json").read_text())["findings"]["passed"] == 4
    one = lines[0]
    given = [word for key, value in one["given"].items() for word in ("--given", f"{key}={value}")]
    by_hand = (
        "fly",
        "windy.scenario.yaml",
        *given,
        "--seed",
        str(one["seed"]),
        "--flights",
        "1",
        "--json",
        "one.json",
    )
    flown = start(folder, *by_hand)
    flown.communicate()
    assert flown.returncode == 0
    assert json.loads((folder / "one.json").read_text())["flights"][0]["digest"] == one["digest"]

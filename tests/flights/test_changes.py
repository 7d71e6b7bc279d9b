"""Changes, flown: releases side by side and against the approved baseline, and a search that is interrupted."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from pathlib import Path

import pytest

from tests.flights.flying import HELLO, SCENARIOS, command, write_scenario

NEST_BOXES = SCENARIOS / "nest_boxes" / "nest-boxes.scenario.yaml"


def asflown(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Runs the command to its end."""
    return subprocess.run(
        command(*arguments), cwd=cwd, capture_output=True, text=True, timeout=280, check=False
    )


@pytest.mark.flight
@pytest.mark.slow
def test_releases_are_compared_and_held_against_the_baseline(tmp_path: Path) -> None:
    """r1 flies as approved, seed by seed; the matrix has both releases, and the history all flights."""
    ran = asflown(
        "fly", NEST_BOXES, "--vehicle", "palm80@r1", "--vehicle", "palm80@r2", "--flights", "2",
        "--against-baseline", "r1", "--json", "found.json", cwd=tmp_path,
    )  # fmt: skip
    found = json.loads((tmp_path / "found.json").read_text())
    first, second = found["against_baseline"]
    assert first["conclusion"] != "different", ran.stdout  # bit by bit only where it was approved
    assert first["paired"]
    assert second["inputs"] == ["release r2 instead of r1"]
    assert [(cell["vehicle"], cell["verdict"]) for cell in found["matrix"]] == [
        ("palm80@r1", "pass"), ("palm80@r2", "pass"),
    ]  # fmt: skip
    assert found["matrix"][1]["change"]["measures"]
    assert "changes against palm80@r1" in ran.stdout
    assert ran.returncode == (1 if second["conclusion"] == "different" else 0)
    assert "4 flights" in asflown("history", cwd=tmp_path).stdout
    assert "pass 2/2" in asflown("history", "matrix", cwd=tmp_path).stdout


@pytest.mark.flight
def test_an_interrupted_search_goes_on(tmp_path: Path) -> None:
    """Ctrl-C after the second flight: the same command flies the rest, and the answer is there at once afterwards."""
    scenario = write_scenario(tmp_path, HELLO)  # never takes off, so that every candidate is bad
    arguments: list[str | Path] = [
        "bisect",
        scenario,
        "--vehicles",
        "palm80@r1",
        "palm80@r2",
        "--json",
        tmp_path / "answer.json",
    ]
    with subprocess.Popen(
        command(*arguments),
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(2)]
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=120)
    assert process.returncode == 130, lines
    ran = asflown(*arguments, cwd=tmp_path)
    assert ran.stdout.startswith("going on after 2 flights"), ran.stdout + ran.stderr
    assert "palm80@r1 is bad already" in ran.stdout
    assert ran.returncode == 4
    answer = json.loads((tmp_path / "answer.json").read_text())
    assert asflown(*arguments, cwd=tmp_path).stdout.count("flown before") == answer["flights"]

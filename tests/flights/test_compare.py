"""Flights that differ by one thing, compared by the command: the thing is named first."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.flights.flying import SCENARIOS, command, fly

SCENARIO, SCRIPT = "nest-boxes.scenario.yaml", "nest_boxes.py"
CHANGES = {
    "a script edit": (SCRIPT, "SPEED = 2.0", "SPEED = 2.4", [], "script", 8.0),
    "wind": (SCENARIO, "speed: 2 m/s, from", "speed: 4 m/s, from", [], "conditions", 0.0),
    "a release": ("", "", "", ["--vehicle", "palm80@r2"], "firmware", 4.0),
    "nothing": ("", "", "", [], "nothing", None),
}
"""File, text and replacement; arguments; what is named first, and from when on at the earliest."""


def flown(folder: Path, file: str, old: str, new: str, arguments: list[str]) -> Path:
    """The folder of one flight of a changed copy of the demo."""
    demo = folder / "demo"
    shutil.copytree(SCENARIOS / "nest_boxes", demo, ignore=shutil.ignore_patterns("__pycache__", "baseline"))
    if file:
        text = (demo / file).read_text(encoding="utf-8")
        assert old in text
        (demo / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    (flight,) = fly(folder, demo / SCENARIO, "--flights", "1", *arguments).folders
    return flight


@pytest.fixture(scope="module")
def unchanged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A flight of the demo as it is."""
    return flown(tmp_path_factory.mktemp("unchanged"), "", "", "", [])


@pytest.mark.flight
@pytest.mark.parametrize(
    ("file", "old", "new", "arguments", "cause", "from_s"), CHANGES.values(), ids=CHANGES.keys()
)
def test_the_cause_is_named_first(
    file: str,
    old: str,
    new: str,
    arguments: list[str],
    cause: str,
    from_s: float | None,
    unchanged: Path,
    tmp_path: Path,
) -> None:
    """With the moment at which it shows; flights that differ by nothing are equal to the last byte."""
    changed = flown(tmp_path, file, old, new, arguments)
    report = tmp_path / "change.json"
    line = command("compare", unchanged, changed, "--json", report)
    done = subprocess.run(line, capture_output=True, text=True, cwd=tmp_path, check=False)
    first = json.loads(report.read_text(encoding="utf-8"))["findings"][0]
    assert (first["cause"]["name"], first["confidence"]) == (cause, "certain"), done.stdout
    assert (first["at_s"] is None) if from_s is None else first["at_s"] > from_s
    assert (done.returncode == 0) is (cause == "nothing")

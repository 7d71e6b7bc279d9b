"""`asflown sensitivity`: recorded flights and scenarios, as a table and as JSON, and what it refuses."""

from __future__ import annotations

import argparse
import json
import shutil
from pathlib import Path

import pytest

from asflown.cli import sensitivity
from asflown.errors import FolderProblem, UsageError
from tests.unit.grade.flights import flight_of
from tests.unit.grade.paths import BOXES, round_trip
from tests.unit.record.flown import write_flight

SHORT = """\
asflown: 1
name: short
script: {run: [python, fly.py, --link, "{link}"]}
expect:
  path: {legs: [{climb: {to: 3 m}}, {line: {to: [8 m, 0 m, 3 m]}}, {hold: {for: 3 s}}, {land: {}}]}
  measures: {vertical_p95: {at_most: 0.5 m}}
"""
FLOWN = round_trip(BOXES[:1], land_at=(8, 0))


def run(*arguments: object) -> int:
    """The exit code of `asflown sensitivity` with these arguments."""
    parser = argparse.ArgumentParser()
    sensitivity.add_parser(parser.add_subparsers())
    options = parser.parse_args(["sensitivity", *map(str, arguments)])
    return int(options.run(options))


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    """A scenario of one leg there, a hold and a landing."""
    (tmp_path / "fly.py").touch()
    file = tmp_path / "short.scenario.yaml"
    file.write_text(SHORT)
    return file


@pytest.mark.slow
def test_a_flight_and_a_tlog_give_a_table_and_numbers(
    tmp_path: Path, scenario: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A tlog by --scenario: each kind of disturbance has its row, and the same numbers stand in the JSON."""
    folder = write_flight(tmp_path / "flights" / "f", flight_of(FLOWN, position_hz=5.0))
    tlog = tmp_path / "field-day.tlog"
    shutil.copy(folder / "vehicle.tlog", tlog)
    assert run(tlog, "--scenario", scenario, "--json", tmp_path / "s.json") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "short on field-day"
    by_words = {line.split("  ")[1].strip(): line for line in lines if line.startswith("  ")}
    assert "vertical_p95" in by_words["flies too high"]
    assert by_words["lifts off later"].split()[3:] == ["never", "looked", "for", "up", "to", "600.00", "s"]
    (document,) = json.loads((tmp_path / "s.json").read_text())["flights"]
    high = next(one for one in document["disturbances"] if one["says"] == "flies too high")
    assert high["size"] == pytest.approx(0.5, abs=0.03)
    assert (high["unit"], high["caught_by"], high["passes_again"]) == ("m", ["vertical_p95"], [])


def test_a_tlog_needs_a_scenario(tmp_path: Path) -> None:
    """Without one nothing says what should have been flown."""
    (tmp_path / "a.tlog").write_bytes(b"x")
    with pytest.raises(UsageError, match="nothing says what .*a.tlog should have flown"):
        run(tmp_path / "a.tlog")


def test_a_file_that_is_no_tlog_says_so(tmp_path: Path, scenario: Path) -> None:
    """A text file is refused for what it is, not for a grade that it could not get."""
    (tmp_path / "notes.txt").write_text("hello, this is no capture at all\n" * 5)
    with pytest.raises(FolderProblem, match="has no MAVLink frame"):
        run(tmp_path / "notes.txt", "--scenario", scenario)


def test_a_scenario_of_its_own_is_not_for_scenarios(scenario: Path) -> None:
    """--scenario judges flights; with something to fly it is a mistake."""
    with pytest.raises(UsageError, match="--scenario says what recorded flights are judged by"):
        run(scenario, "--scenario", scenario)


def test_a_flight_whose_scenario_moved_is_refused(tmp_path: Path) -> None:
    """The scenario is looked for where it was; the remedy names the option."""
    folder = write_flight(tmp_path / "f", flight_of(round_trip()))
    with pytest.raises(UsageError, match="add --scenario FILE"):
        run(folder)

"""`asflown grade`: recorded flights and any tlog, by their own scenario or another, with reports and exit codes."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path

import pytest

from asflown.cli import grade
from asflown.errors import FolderProblem, UsageError
from asflown.record import folder as folders
from asflown.record import manifest
from tests.unit.grade.flights import flight_of
from tests.unit.grade.paths import BOXES, round_trip
from tests.unit.record.flown import write_flight

SCENARIO = """\
asflown: 1
name: round
script:
  run: [python, fly.py, --link, "{link}"]
expect:
  path:
    legs:
      - climb: {to: 3 m}
      - line: {to: [8 m, 0 m, 3 m], speed: 2 m/s}
      - hold: {for: 3 s}
      - line: {to: [8 m, 6 m, 3 m], speed: 2 m/s}
      - hold: {for: 3 s}
      - line: {to: [1 m, 7 m, 3 m], speed: 2 m/s}
      - hold: {for: 3 s}
      - line: {to: [-3 m, 3 m, 3 m], speed: 2 m/s}
      - hold: {for: 3 s}
      - return: {}
      - land: {}
  measures:
    cross_track_p95: {at_most: 0.8 m}
    landing_offset: {at_most: 1 m}
"""


def run(*arguments: object) -> int:
    """The exit code of `asflown grade` with these arguments."""
    parser = argparse.ArgumentParser()
    grade.add_parser(parser.add_subparsers())
    options = parser.parse_args(["grade", *map(str, arguments)])
    return int(options.run(options))


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    """A scenario file beside its script."""
    (tmp_path / "fly.py").touch()
    file = tmp_path / "round.scenario.yaml"
    file.write_text(SCENARIO)
    return file


def good(tmp_path: Path, scenario: Path) -> Path:
    """The folder of a flight that does all that is expected, flown by `scenario`."""
    return flown(tmp_path / "good", scenario, BOXES)


def flown(folder: Path, scenario: Path, boxes: tuple[tuple[float, float, float], ...]) -> Path:
    """The folder of a flight round `boxes`, flown by `scenario`."""
    write_flight(folder, flight_of(round_trip(boxes)))
    named = folders.read_manifest(folder).model_copy(update={"scenario_file": str(scenario)})
    manifest.write(named, folder)
    return folder


def test_folder_is_graded_by_its_own_scenario(
    tmp_path: Path, scenario: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A flight's folder needs nothing else; it gets its grade, and the terminal shows it."""
    folder = good(tmp_path, scenario)
    assert run(folder) == 0
    assert json.loads((folder / "grade.json").read_text("utf-8"))["verdict"] == "pass"
    assert "PASS   round on palm80: 1 of 1 flight passed" in capsys.readouterr().out


def test_flights_of_one_scenario_are_judged_together(
    tmp_path: Path, scenario: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Several folders of a scenario and vehicle give one verdict; the worst flight decides."""
    bad = flown(tmp_path / "bad", scenario, BOXES[:1] + BOXES[2:])
    assert run(good(tmp_path, scenario), bad) == 1
    out = capsys.readouterr().out
    assert "1 of 2 flights failed" in out
    assert "leg 4 (line to 8, 6, 3 m)" in out


def test_another_scenario_can_be_named(tmp_path: Path, scenario: Path) -> None:
    """The same flight by stricter expectations."""
    folder = good(tmp_path, scenario)
    strict = tmp_path / "strict.scenario.yaml"
    strict.write_text(SCENARIO + "  rules:\n    - {name: low, always: height < 2 m}\n")
    assert run(folder, "--scenario", strict) == 1


def test_any_tlog_is_graded(tmp_path: Path, scenario: Path) -> None:
    """A capture from elsewhere, by the scenario that is named, with both reports."""
    tlog = good(tmp_path, scenario) / "vehicle.tlog"
    junit, numbers = tmp_path / "out" / "junit.xml", tmp_path / "out" / "numbers.json"
    assert run(tlog, "--scenario", scenario, "--junit", junit, "--json", numbers) == 0
    [flight] = json.loads(numbers.read_text("utf-8"))["flights"]
    assert [(one["name"], one["passed"]) for one in flight["measures"]] == [
        ("cross_track_p95", True),
        ("landing_offset", True),
    ]
    assert "<testsuite" in junit.read_text("utf-8")


def test_grading_again_changes_nothing(tmp_path: Path, scenario: Path) -> None:
    """Twice the same command, twice the same bytes."""
    folder, numbers = good(tmp_path, scenario), tmp_path / "numbers.json"
    written = []
    for _ in range(2):
        run(folder, "--json", numbers)
        written.append((numbers.read_bytes(), (folder / "grade.json").read_bytes()))
    assert written[0] == written[1]


def test_flight_that_could_not_be_carried_out_exits_with_3(tmp_path: Path, scenario: Path) -> None:
    """An interrupted run says nothing about its script."""
    folder = good(tmp_path, scenario)
    manifest.write(folders.read_manifest(folder).model_copy(update={"outcome": "interrupted"}), folder)
    assert run(folder) == 3


def test_unreadable_telemetry_is_inconclusive(tmp_path: Path, scenario: Path) -> None:
    """A flight whose capture is empty decides nothing."""
    folder = good(tmp_path, scenario)
    (folder / "vehicle.tlog").write_bytes(b"")
    assert run(folder) == 4


MISTAKES = {
    "nothing there": (
        ["{tmp}/nowhere"],
        "there is no file or folder {tmp}/nowhere. Name a flight's folder or a tlog",
    ),
    "a tlog alone": (
        ["{tmp}/good/vehicle.tlog"],
        "nothing says what {tmp}/good/vehicle.tlog should have flown. Add --scenario FILE",
    ),
    "no tlog": (
        ["{tmp}/fly.txt", "--scenario", "{tmp}/round.scenario.yaml"],
        "{tmp}/fly.txt has no MAVLink frame. Name a tlog: records of an 8-byte time stamp and a frame",
    ),
    "no folder of a flight": (
        ["{tmp}"],
        (
            "{tmp} is not a flight's folder (flight.json: No such file or directory)."
            " Name a folder below .asflown/flights, as `asflown fly` prints it"
        ),
    ),
}


@pytest.mark.parametrize(("arguments", "message"), MISTAKES.values(), ids=MISTAKES.keys())
def test_mistakes_are_told_with_a_way_out(
    tmp_path: Path, scenario: Path, arguments: list[str], message: str
) -> None:
    """What cannot be graded is named, with what to name instead."""
    good(tmp_path, scenario)
    (tmp_path / "fly.txt").write_text("no capture")
    with pytest.raises(UsageError) as caught:
        run(*(argument.format(tmp=tmp_path) for argument in arguments))
    assert str(caught.value) == message.format(tmp=tmp_path)


def test_scenario_that_has_moved(tmp_path: Path, scenario: Path) -> None:
    """Where the flight's scenario is not found any more, another can be named."""
    folder = good(tmp_path, scenario)
    scenario.unlink()
    with pytest.raises(UsageError, match="is not at .*round.scenario.yaml\\. Go to where it was flown"):
        run(folder)


def test_report_that_cannot_be_written_is_told_first(tmp_path: Path, scenario: Path) -> None:
    """A report's place is tried before anything is graded."""
    folder = good(tmp_path, scenario)
    with pytest.raises(FolderProblem):
        run(folder, "--junit", tmp_path)
    assert not (folder / "grade.json").exists()


def test_command_line_from_outside(tmp_path: Path, scenario: Path) -> None:
    """The installed command: message on standard error, exit code 2, no traceback."""
    done = subprocess.run(
        [sys.executable, "-m", "asflown", "grade", tmp_path / "nowhere"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert (
        done.stderr
        == f"asflown: there is no file or folder {tmp_path / 'nowhere'}. Name a flight's folder or a tlog\n"
    )

"""Several flights in one capture: told apart by their armings, each with its own anchors."""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pytest

from asflown.cli import grade as grade_command
from asflown.errors import FolderProblem
from asflown.grade.grade import grade_capture, grade_flights_in, load_tracks
from asflown.record import decode
from asflown.record.arming import flights_in
from asflown.record.series import Series
from asflown.record.track import load_track
from tests.unit.cli.test_grade import SCENARIO
from tests.unit.grade.flights import flight_of, scenario
from tests.unit.grade.paths import BOXES, round_trip
from tests.unit.record.flown import write_flight

SHIFT_S = 60


def one(folder: Path, track: Series, **more: object) -> bytes:
    """The capture of one flight."""
    return (write_flight(folder, flight_of(track, position_hz=10.0, **more)) / "vehicle.tlog").read_bytes()


def later(capture: bytes, folder: Path, shift_s: int) -> bytes:
    """The same capture with its stamps, and the vehicle's own, `shift_s` later."""
    path = folder / "later.tlog"
    path.write_bytes(capture)
    index = decode.index(path)
    data = bytearray(capture)
    for start, time_us in zip(index.frame_start.tolist(), index.time_us.tolist(), strict=True):
        data[start - 8 : start] = (time_us + shift_s * 1_000_000).to_bytes(8, "big")
    return bytes(data)


@pytest.fixture
def tlog(tmp_path: Path) -> Path:
    """Two flights after each other: the first round all boxes, the second without the second one."""
    first = one(tmp_path / "1", round_trip())
    second = one(tmp_path / "2", round_trip(BOXES[:1] + BOXES[2:]), boot_offset_ms=4_321)
    path = tmp_path / "day.tlog"
    path.write_bytes(first + later(second, tmp_path, SHIFT_S))
    return path


def test_each_arming_is_a_flight(tlog: Path) -> None:
    """Two armings that led into the air: two tracks in the capture's time, each of which ends on the ground."""
    first, second = flights_in(load_track(tlog))
    assert second.anchors.at_s - first.anchors.at_s == pytest.approx(SHIFT_S, abs=0.6)
    assert first.positions.time_s[-1] <= second.anchors.at_s
    assert first.signals["height"].values[-1] == pytest.approx(0.0, abs=0.05)
    assert second.anchors.says.startswith("flight 2 of 2 in the capture: ")
    assert second.signals["height"].values.max() == pytest.approx(3.0, abs=0.05)


def test_they_are_graded_one_by_one(tlog: Path) -> None:
    """The first passes, the second left out a box, and says so."""
    first, second = grade_flights_in(tlog, scenario())
    assert (first.verdict, second.verdict) == ("pass", "fail")
    assert second.legs_not_flown == ("leg 4 (line to 8, 6, 3 m)", "leg 5 (hold for 3 s)")


def test_where_one_is_wanted_several_are_refused(tlog: Path) -> None:
    """The words name the file, how many flights there are, and what to do."""
    with pytest.raises(FolderProblem) as caught:
        grade_capture(tlog, scenario())
    assert str(caught.value) == (
        f"{tlog} has 2 flights, each with an arming of its own."
        " Cut it, or grade them one by one with `asflown grade`"
    )
    with pytest.raises(FolderProblem, match="has 2 flights"):
        load_tracks(tlog, scenario())


def test_the_command_grades_all_of_them(tlog: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One of two flights failed: exit code 1."""
    (tlog.parent / "fly.py").touch()
    file = tlog.parent / "round.scenario.yaml"
    file.write_text(SCENARIO)
    parser = argparse.ArgumentParser()
    grade_command.add_parser(parser.add_subparsers())
    options = parser.parse_args(["grade", str(tlog), "--scenario", str(file)])
    assert options.run(options) == 1
    assert "1 of 2 flights failed" in capsys.readouterr().out


def test_an_arming_on_the_ground_is_no_flight(tmp_path: Path) -> None:
    """Armed and disarmed without lifting off before the flight: one flight, anchored at the arming that flew."""
    first = one(tmp_path / "1", round_trip(), air_s=(0.0, 0.0))
    path = tmp_path / "day.tlog"
    path.write_bytes(first + later(one(tmp_path / "2", round_trip()), tmp_path, SHIFT_S))
    (only,) = flights_in(load_track(path))
    assert only.anchors.at_s > SHIFT_S


def test_one_flight_is_the_track_itself(tmp_path: Path) -> None:
    """Nothing is cut from a capture with one arming."""
    path = tmp_path / "one.tlog"
    path.write_bytes(one(tmp_path / "1", round_trip()))
    track = load_track(path)
    assert flights_in(track) == (track,)
    assert len(track.armings_s) == 1
    assert np.isfinite(track.armings_s[0])

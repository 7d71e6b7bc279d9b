"""Grades of whole flights: what is right passes, what is wrong is named as a person would name it."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from asflown.errors import FolderProblem
from asflown.grade.grade import grade_capture, grade_flight, read_grade, write_grade
from asflown.record import manifest as manifests
from asflown.record import truth
from asflown.record.manifest import SafetyEvent
from asflown.record.series import Series
from tests.unit.grade.flights import flight_of, grade_of, measured, ruled, scenario
from tests.unit.grade.paths import BOXES, round_trip, shaken
from tests.unit.record.flown import write_flight

GOOD = shaken(round_trip(), 0.1)


def test_good_flight_passes(tmp_path: Path) -> None:
    """A flight that wanders by a decimetre passes everything, with margins and no reason."""
    grade = grade_of(tmp_path, GOOD)
    assert (grade.verdict, grade.reason, grade.legs_not_flown) == ("pass", "", ())
    assert all(one.margin is not None and 0 <= one.margin <= 1 for one in grade.measures)
    assert [check.name for check in grade.checks] == ["time limit", "exit code", "legs flown"]
    assert grade.anchors == "start point and start heading are the vehicle's own estimate at arming (1.2 s)"


WRONG: dict[str, tuple[Series, str]] = {
    "forward and right swapped": (
        round_trip(tuple((y, x, u) for x, y, u in BOXES)),
        (
            "legs flown: leg 2 (line to 8, 0, 3 m) was not flown: nearest to its end was 8.00 m, at 4.9 s;"
            " nor were legs 3 to 10; instead of legs 2 to 10 it flew from 0.0, 0.0, 2.9 m by way of 6.0, 8.0, 3.0 m"
            " to the end of leg 11, 0.0, 0.0, 0.0 m, from 4.9 s to 39.5 s; also cross_track_p95, dwell_at_holds"
        ),
    ),
    "second box left out": (
        round_trip(BOXES[:1] + BOXES[2:]),
        (
            "legs flown: leg 4 (line to 8, 6, 3 m) was not flown: nearest to its end was 4.24 m, at 14.1 s;"
            " nor was leg 5; instead of legs 4 and 5 it flew from 8.0, 0.0, 3.0 m straight to the end of leg 6,"
            " 1.0, 7.0, 3.0 m, from 11.9 s to 17.1 s; also cross_track_p95, dwell_at_holds"
        ),
    ),
    "twice as fast": (
        round_trip(speed=4.0),
        "speed_on_legs: leg 2 (line to 8, 0, 3 m) was flown at 4.00 m/s instead of 2.00 m/s, from 4.8 s",
    ),
    "lands elsewhere": (
        round_trip(land_at=(4.0, -3.0)),
        "landing_offset: leg 11 (land) ended 5.00 m from 0, 0 m (4.00 m forward and 3.00 m left), at 41.0 s",
    ),
    "does not stop": (
        round_trip(stay_s=0.2),
        "dwell_at_holds: leg 3 (hold for 3 s) stayed 1.20 s within 1.00 m of 8, 0, 3 m, from 8.6 s",
    ),
    "flies too high": (
        round_trip(tuple((x, y, u + 2) for x, y, u in BOXES)),
        (
            "vertical_p95: leg 2 (line to 8, 0, 3 m) is up to 2.00 m too high, from 6.8 s;"
            " also dwell_at_holds, rule ceiling"
        ),
    ),
}


@pytest.mark.parametrize(("track", "reason"), WRONG.values(), ids=WRONG.keys())
def test_wrong_flight_is_named_as_a_person_would(tmp_path: Path, track: Series, reason: str) -> None:
    """The reason names the leg, the measure, how much and when."""
    grade = grade_of(tmp_path, track)
    assert grade.verdict == "fail"
    assert grade.reason == reason


def test_grading_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    """The same folder gives the same grade.json, byte for byte, and it reads back as the same grade."""
    grade_of(tmp_path, GOOD)
    written = []
    for _ in range(2):
        write_grade(tmp_path, grade_flight(tmp_path, scenario()))
        written.append((tmp_path / "grade.json").read_bytes())
    assert written[0] == written[1]
    assert read_grade(tmp_path) == grade_flight(tmp_path, scenario())
    assert json.loads(written[0])["verdict"] == "pass"


def test_grade_file_is_replaced_or_stays(tmp_path: Path) -> None:
    """Where grade.json cannot be written, the message names it and nothing half-written is left."""
    grade = grade_of(tmp_path, GOOD)
    (tmp_path / "grade.json").mkdir()
    with pytest.raises(FolderProblem) as caught:
        write_grade(tmp_path, grade)
    assert str(caught.value) == (
        f"{tmp_path / 'grade.json'} cannot be written (Is a directory). Make the folder writable, or copy it"
    )
    assert not list(tmp_path.glob(".grade*"))


def test_a_folder_that_takes_nothing_is_told_in_words(tmp_path: Path) -> None:
    """Also where not even the unfinished file can be taken away again."""
    grade = grade_of(tmp_path, GOOD)
    (tmp_path / "no-folder").touch()
    with pytest.raises(FolderProblem, match="cannot be written"):
        write_grade(tmp_path / "no-folder", grade)


@pytest.mark.parametrize("content", [None, b"{", b"{}"], ids=["none", "cut", "empty"])
def test_grade_that_cannot_be_read(tmp_path: Path, content: bytes | None) -> None:
    """A missing or broken grade is a folder problem that says how to get one."""
    if content is not None:
        (tmp_path / "grade.json").write_bytes(content)
    with pytest.raises(FolderProblem, match="asflown grade"):
        read_grade(tmp_path)


ENDINGS: dict[str, tuple[dict[str, Any], str]] = {
    "another exit code": ({"exit_code": 3}, "exit code: the script exited with 3, and 0 is expected"),
    "a signal": (
        {"ended": "signal", "exit_code": -11, "problem": "the script was ended by signal 11"},
        "exit code: the script was ended by signal 11",
    ),
    "over its time": (
        {"ended": "time-limit", "exit_code": None},
        "time limit: the script ran longer than its time limit of 120.00 s",
    ),
}


@pytest.mark.parametrize(("script", "reason"), ENDINGS.values(), ids=ENDINGS.keys())
def test_script_that_ends_otherwise_fails(tmp_path: Path, script: dict[str, Any], reason: str) -> None:
    """However well it flew, a script that does not end as expected fails, and the reason says how it ended."""
    folder = write_flight(tmp_path, flight_of(GOOD), outcome="script-failed", **script)
    grade = grade_flight(folder, scenario())
    assert (grade.verdict, grade.reason) == ("fail", reason)


GUARDED = SafetyEvent(at_s=9.0, what="guard: come-home", cause="height 8.1 m > 8 m")
TAKEN = SafetyEvent(at_s=12.5, what="pilot: taken over", cause="sticks moved")
SILENT = SafetyEvent(
    at_s=52.7, what="guard: no more to ask for", cause="script silent for 10 s; it does as much already"
)
FAILSAFE = SafetyEvent(at_s=3.0, what="vehicle: position-hold", cause="its own failsafe")
STEPPED_IN: dict[str, tuple[list[SafetyEvent], str, str]] = {
    "guard": ([GUARDED], "fail", "guard: come-home at 9.0 s: height 8.1 m > 8 m"),
    "guard, then pilot": ([GUARDED, TAKEN], "fail", "guard: come-home at 9.0 s: height 8.1 m > 8 m"),
    "pilot": (
        [FAILSAFE, TAKEN],
        "inconclusive",
        "pilot: taken over at 12.5 s: sticks moved; what followed is not the script's doing",
    ),
    "guard, on the way down": (
        [SILENT],
        "fail",
        (
            "guard: stepped in at 52.7 s: script silent for 10 s; what it asks for then the vehicle did already; "
            "a script sends something, such as a HEARTBEAT, until its flight is over"
        ),
    ),
    "vehicle": ([FAILSAFE], "pass", ""),
}


@pytest.mark.parametrize(("events", "verdict", "reason"), STEPPED_IN.values(), ids=STEPPED_IN.keys())
def test_who_stepped_in_decides_what_is_said_of_the_script(
    tmp_path: Path, events: list[SafetyEvent], verdict: str, reason: str
) -> None:
    """The guard fails a flight; a pilot leaves no verdict, though the script was killed; a failsafe is no finding."""
    ended: dict[str, Any] = {"ended": "time-limit"} if verdict == "inconclusive" else {}
    folder = write_flight(tmp_path, flight_of(GOOD), **ended)
    manifest = manifests.read(folder)
    manifests.write(manifest.model_copy(update={"safety_events": events}), folder)
    grade = grade_flight(folder, scenario())
    assert (grade.verdict, grade.reason) == (verdict, reason)


@pytest.mark.parametrize("outcome", ["error", "interrupted"])
def test_flight_that_could_not_be_carried_out_is_an_error(tmp_path: Path, outcome: Any) -> None:
    """Such a flight says nothing about the script: nothing is measured."""
    grade = grade_flight(write_flight(tmp_path, flight_of(GOOD), outcome=outcome), scenario())
    assert (grade.verdict, grade.reason) == ("error", f"the flight ended as '{outcome}'")
    assert (grade.measures, grade.rules, grade.checks) == ((), (), ())


def test_both_sources_are_graded_side_by_side(tmp_path: Path) -> None:
    """Estimate and truth each have their measures, rules, checks and anchors."""
    grade = grade_of(tmp_path, GOOD, scenario(source="both"))
    assert grade.verdict == "pass"
    assert [one.source for one in grade.measures] == ["estimate"] * 6 + ["truth"] * 6
    assert [check.name for check in grade.checks][2:] == ["legs flown (estimate)", "legs flown (truth)"]
    assert grade.anchors.count(" at arming ") == 2


def test_truth_shows_what_the_estimate_cannot(tmp_path: Path) -> None:
    """A vehicle that believes itself on the path while it drifts away passes by its estimate and fails in truth."""
    exact = flight_of(round_trip())
    folder = write_flight(tmp_path, exact)
    rows = truth.read(folder).copy()
    rows[:, 1] += 0.1 * np.maximum(0.0, rows[:, 0] - 2)
    (folder / truth.FILE_NAME).write_bytes(truth.header(len(rows)) + rows.tobytes())
    assert grade_flight(folder, scenario()).verdict == "pass"
    drifted = grade_flight(folder, scenario(source="truth"))
    assert measured(drifted, "landing_offset").value == pytest.approx(3.65, abs=0.06)
    assert drifted.verdict == "fail"


def test_capture_from_elsewhere_is_graded(tmp_path: Path) -> None:
    """A tlog alone is graded by the same expectations; of a script nothing is said."""
    write_flight(tmp_path, flight_of(GOOD))
    grade = grade_capture(tmp_path / "vehicle.tlog", scenario())
    assert grade.verdict == "pass"
    assert [check.name for check in grade.checks] == ["legs flown"]
    by_folder = [one.value for one in grade_flight(tmp_path, scenario()).measures]
    assert [one.value for one in grade.measures] == pytest.approx(by_folder, abs=0.01)


def test_flight_without_telemetry_is_inconclusive(tmp_path: Path) -> None:
    """A capture without any position decides nothing, and the reason says what to record."""
    folder = write_flight(tmp_path, flight_of(GOOD, silent_s=(0.0, 100.0)))
    grade = grade_flight(folder, scenario())
    assert grade.verdict == "inconclusive"
    assert grade.reason.startswith("cross_track_p95: not measurable: ")
    assert "has no heartbeat of an autopilot" in grade.reason


def test_truth_that_is_not_there_is_inconclusive(tmp_path: Path) -> None:
    """On hardware there is no truth: measures by it are not measurable, and the reason says so."""
    folder = write_flight(tmp_path, flight_of(GOOD))
    (folder / "truth.npy").unlink()
    grade = grade_flight(folder, scenario(source="truth"))
    assert grade.verdict == "inconclusive"
    assert "truth.npy cannot be read" in grade.reason


def test_gap_in_the_telemetry_is_inconclusive(tmp_path: Path) -> None:
    """Five seconds without positions are more than 5 % of the flight: nobody knows where it was."""
    grade = grade_of(tmp_path, GOOD, silent_s=(20.0, 25.0))
    assert grade.verdict == "inconclusive"
    assert "there are no positions for 5.1 s from 20.0 s" in grade.reason
    assert grade.checks[-1].says.startswith(
        "no leg is known to be left out; there are no positions where leg 6"
    )
    assert measured(grade, "duration").value is not None


def test_slow_telemetry_is_inconclusive(tmp_path: Path) -> None:
    """Two positions a second are too few for a cross-track error, and enough for the time at holds."""
    grade = grade_of(tmp_path, GOOD, position_hz=2.0)
    assert measured(grade, "cross_track_p95").says == (
        "not measurable: positions came at 2.0 Hz, and 4 Hz are needed"
    )
    assert measured(grade, "dwell_at_holds").passed


def test_vehicle_that_does_not_report_landing(tmp_path: Path) -> None:
    """Without EXTENDED_SYS_STATE the landing is not measurable, nor the rule that speaks of the ground."""
    grade = grade_of(tmp_path, GOOD, extended=False)
    assert measured(grade, "landing_offset").says == (
        "not measurable: the vehicle does not report whether it stands on the ground (EXTENDED_SYS_STATE)"
    )
    assert (
        ruled(grade, "lands before reserve").says == "not measurable: the capture has no on_ground (estimate)"
    )
    assert grade.verdict == "inconclusive"


def test_scenario_without_a_path_grades_its_rules(tmp_path: Path) -> None:
    """Rules and the duration need no path; there are no legs to check then."""
    expected = scenario(path=None, measures={"duration": {"at_most": 60.0}})
    grade = grade_of(tmp_path, GOOD, expected)
    assert (grade.verdict, grade.legs_not_flown) == ("pass", ())
    assert [check.name for check in grade.checks] == ["time limit", "exit code"]


@pytest.mark.parametrize("frame", ["north-east", "geodetic"])
def test_other_frames(tmp_path: Path, frame: str) -> None:
    """The same flight, expected in north and east of its start, or by latitude and longitude."""
    if frame == "geodetic":
        home = flight_of(GOOD).home
        place = home.to_geodetic(11.0, 3.0, 0.0)
        to: Any = {"latitude_deg": place[0], "longitude_deg": place[1], "up_m": 3.0}
    else:
        to = (10.0, 5.0, 3.0)  # the vehicle stands at 1 m north and -2 m east of home
    legs = [{"climb": {"to_m": 3.0}}, {"line": {"to": to}}]
    track = round_trip(((math.hypot(10, 5), 0.0, 3.0),), land_at=(math.hypot(10, 5), 0.0))
    flight = flight_of(track)
    turn = math.atan2(5, 10)

    def ned_m(now_s: float) -> tuple[float, float, float]:
        along = float(np.interp(now_s, track.time_s, track.values[:, 0]))
        up = float(np.interp(now_s, track.time_s, track.values[:, 2]))
        return 1 + along * math.cos(turn), -2 + along * math.sin(turn), -up

    flight.ned_m = ned_m
    expected = scenario(
        path={"frame": frame, "legs": legs}, measures={"cross_track_max": {"at_most": 2.5}}, rules=[]
    )
    grade = grade_flight(write_flight(tmp_path, flight), expected)
    assert grade.verdict == "pass", grade.reason
    cross_track_m = measured(grade, "cross_track_max").value
    assert cross_track_m == pytest.approx(0.02 if frame == "north-east" else 2.2, abs=0.25)

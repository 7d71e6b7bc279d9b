"""Tracks: one time base, the right anchors, gaps left as gaps, estimate and truth apart."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pymavlink.dialects.v20 import development

from asflown.errors import FolderProblem
from asflown.record.track import Track, load_track
from asflown.record.vehicle_time import vehicle_time
from asflown.scenario.model import Home
from tests.unit.record.flown import Flight, write_flight
from tests.unit.record.frames import heartbeat, packed, record, write_tlog

HOME = Home(latitude=52.0, longitude=4.5, altitude=0.0)  # type: ignore[call-arg]


def eastwards(now_s: float) -> tuple[float, float, float]:
    """Two metres north of home; from 10 s on eastwards at 1 m/s, 3 m up."""
    return (2.0, max(0.0, now_s - 10.0), -3.0 if now_s > 10 else 0.0)


FLIGHT = Flight(
    eastwards, end_s=20.0, armed_s=(5.0, 19.0), air_s=(8.0, 18.0), yaw_rad=lambda _: math.radians(90)
)


def track_of(folder: Path, flight: Flight = FLIGHT, **more: object) -> Track:
    """The estimate of `flight`, written to a folder and read back."""
    return load_track(write_flight(folder, replace(flight, **more)), home=HOME)  # type: ignore[arg-type]


def test_times_are_the_vehicles_own(tmp_path: Path) -> None:
    """Positions stand at the time the vehicle stamped them, moved by the median delay of the link alone."""
    times = track_of(tmp_path, delay_us=30_000).positions.time_s
    assert times[0] == pytest.approx(0.030, abs=2e-6)
    assert np.diff(times) == pytest.approx(0.05, abs=1e-6)


def test_start_heading_frame_turns_the_track(tmp_path: Path) -> None:
    """Looking east at arming, eastwards is forward, and the start point is where the vehicle armed."""
    placed = track_of(tmp_path).in_frame("start-heading")
    assert placed is not None
    np.testing.assert_allclose(placed.values[0], (0, 0, 0), atol=1e-6)
    last_s = placed.time_s[-1]
    np.testing.assert_allclose(placed.values[-1], (last_s - 10, 0, 3), atol=0.02)


def test_north_east_frame_keeps_north(tmp_path: Path) -> None:
    """In the north-east frame the track is only moved to its start point."""
    placed = track_of(tmp_path).in_frame("north-east")
    assert placed is not None
    last_s = placed.time_s[-1]
    np.testing.assert_allclose(placed.values[-1], (0, last_s - 10, 3), atol=0.02)


def test_geodetic_frame_is_about_the_scenarios_home(tmp_path: Path) -> None:
    """Global positions lie about home (2 m north of it), with heights above where the vehicle armed."""
    placed = track_of(tmp_path).in_frame("geodetic")
    assert placed is not None
    last_s = placed.time_s[-1]
    np.testing.assert_allclose(placed.values[-1], (2, last_s - 10, 3), atol=0.03)


def test_heading_at_arming_is_the_mean_of_the_last_second(tmp_path: Path) -> None:
    """A heading that swings across north has its mean on the right side, over one second before arming."""
    swinging = track_of(tmp_path, yaw_rad=lambda t: math.radians(350 if round(t * 20) % 2 else 10))
    assert swinging.anchors.heading_rad == pytest.approx(0, abs=0.02)


def test_anchors_say_whose_they_are(tmp_path: Path) -> None:
    """Each source says in a sentence what it was laid on."""
    folder = write_flight(tmp_path, FLIGHT)
    assert load_track(folder).anchors.says == (
        "start point and start heading are the vehicle's own estimate at arming (5.0 s)"
    )
    assert load_track(folder, "truth").anchors.says == (
        "start point and start heading are the true ones at arming (5.0 s)"
    )


def test_arming_without_an_answer_is_taken_from_the_heartbeat(tmp_path: Path) -> None:
    """Where no accepted arming command was recorded, the first armed heartbeat counts."""
    assert track_of(tmp_path, acks=False, armed_s=(4.8, 19.0)).anchors.at_s == pytest.approx(5.003)


def test_track_that_begins_in_the_air_says_so(tmp_path: Path) -> None:
    """Without arming in the capture, the first position is the start point, and the sentence says it."""
    anchors = track_of(tmp_path, armed_s=(0.0, 30.0), acks=False).anchors
    assert anchors.says.endswith("at 0.0 s; arming was not seen")


def test_signals_are_named_as_rules_name_them(tmp_path: Path) -> None:
    """Height, distance, attitude, battery and flags have the values flown."""
    signals = track_of(tmp_path).signals
    assert signals["height"].values[-1] == pytest.approx(3.0)
    assert signals["distance"].values[-1] == pytest.approx(signals["east"].values[-1])
    assert signals["speed"].values[-1] == pytest.approx(1.0, abs=1e-3)
    assert signals["heading"].values[0] == pytest.approx(math.pi / 2)
    assert signals["tilt"].values[0] == pytest.approx(math.acos(math.cos(0.05) * math.cos(0.1)), abs=1e-6)
    assert signals["battery"].values[0] == 1.0
    assert signals["voltage"].values[0] == pytest.approx(3.9)
    on_ground = signals["on_ground"]
    assert on_ground.time_s[on_ground.values == 0][[0, -1]] == pytest.approx((8.003, 17.503))


def test_signal_that_was_never_sent_is_not_there(tmp_path: Path) -> None:
    """A vehicle that does not tell whether it stands on the ground has no such signal."""
    assert "on_ground" not in track_of(tmp_path, extended=False).signals


def test_gap_stays_a_gap(tmp_path: Path) -> None:
    """Five seconds without telemetry are five seconds without samples."""
    times = track_of(tmp_path, silent_s=(9.0, 14.0)).positions.time_s
    assert np.diff(times).max() == pytest.approx(5.05, abs=0.01)


def test_truth_differs_from_the_estimate(tmp_path: Path) -> None:
    """The truth comes from truth.npy at 100 Hz, about the true home."""
    truth = load_track(write_flight(tmp_path, FLIGHT), "truth")
    assert truth.positions.values[0] == pytest.approx((2.3, -0.2, 0.1))
    assert np.diff(truth.positions.time_s) == pytest.approx(0.01)
    assert truth.in_frame("north-east").values[0] == pytest.approx((0, 0, 0))  # type: ignore[union-attr]
    assert truth.in_frame("geodetic").values[0] == pytest.approx((2.3, -0.2, -0.1))  # type: ignore[union-attr]


def test_any_tlog_has_a_track(tmp_path: Path) -> None:
    """A tlog by itself is loaded with flight time from its first frame."""
    write_flight(tmp_path, FLIGHT)
    track = load_track(tmp_path / "vehicle.tlog")
    assert track.positions.time_s[0] == pytest.approx(0.0, abs=1e-5)


def test_tlog_has_no_truth(tmp_path: Path) -> None:
    """Asking a tlog for its truth is a folder problem with a way out."""
    write_flight(tmp_path, FLIGHT)
    with pytest.raises(FolderProblem, match="is a tlog and has no truth\\. Take its estimate"):
        load_track(tmp_path / "vehicle.tlog", "truth")


def test_capture_without_positions_is_refused(tmp_path: Path) -> None:
    """Heartbeats alone make no track, and the message says what to record."""
    with pytest.raises(FolderProblem, match="has no positions\\. Record LOCAL_POSITION_NED or"):
        load_track(write_tlog(tmp_path / "a.tlog", [heartbeat(), heartbeat()]))


def test_capture_without_vehicle_is_refused(tmp_path: Path) -> None:
    """An empty capture has no vehicle."""
    (tmp_path / "a.tlog").touch()
    with pytest.raises(FolderProblem, match="has no heartbeat of an autopilot"):
        load_track(tmp_path / "a.tlog")


def test_rebooted_vehicle_keeps_flight_time() -> None:
    """A vehicle clock that starts again from 0 goes on in flight time."""
    table = np.zeros(6, [("time_us", "<i8"), ("time_boot_ms", "<u4")])
    table["time_us"] = [100_000, 200_000, 300_000, 400_000, 500_000, 600_000]
    table["time_boot_ms"] = [5_000, 5_100, 5_200, 10, 110, 210]
    clock = vehicle_time([table], epoch_us=0)
    assert clock is not None
    times = clock.flight_time_s(table["time_us"], table["time_boot_ms"])
    assert times == pytest.approx([0.1, 0.2, 0.3, 0.4, 0.5, 0.6])


def test_late_message_does_not_move_the_rest() -> None:
    """One message held up by 2 s leaves the times of all others, and has its own right time."""
    table = np.zeros(5, [("time_us", "<i8"), ("time_boot_ms", "<u4")])
    table["time_us"] = [100_000, 200_000, 2_300_000, 2_301_000, 2_302_000]
    table["time_boot_ms"] = [1_100, 1_200, 1_300, 3_301, 3_302]
    clock = vehicle_time([table], epoch_us=0)
    assert clock is not None
    times = clock.flight_time_s(table["time_us"], table["time_boot_ms"])
    assert times == pytest.approx([0.1, 0.2, 0.3, 2.301, 2.302])


def test_ground_program_on_the_link_is_not_the_vehicle(tmp_path: Path) -> None:
    """Heartbeats without an autopilot (a ground program's, however many) do not make their sender the vehicle."""
    write_flight(tmp_path, FLIGHT)
    station = packed(development.MAVLink_heartbeat_message(6, 8, 0, 0, 4, 3), system=255, component=190)
    with (tmp_path / "vehicle.tlog").open("ab") as file:
        file.write(b"".join(record(30_000 + n, station) for n in range(500)))
    assert load_track(tmp_path).positions.time_s[-1] == pytest.approx(19.953)

"""Invented flights written as real flight folders: the recorder writes them, pymavlink packs the telemetry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from pymavlink.dialects.v20 import development as mavlink

from asflown.frames import FloatArray, TangentPlane
from asflown.record import manifest
from asflown.record.capture import Recorder
from asflown.record.manifest import ClockRecord, Manifest, Outcome, ScriptRecord, VehicleRecord

EPOCH_US = 1_735_689_600_000_000
Path3 = Callable[[float], tuple[float, float, float]]
"""North, east, down in metres at a flight time in seconds."""


@dataclass
class Flight:
    """A flight along `ned_m`; it arms at `armed_s[0]`, is off the ground during `air_s`, disarms at `armed_s[1]`."""

    ned_m: Path3
    end_s: float
    armed_s: tuple[float, float]
    air_s: tuple[float, float]
    yaw_rad: Callable[[float], float] = lambda _: 0.0
    battery: Callable[[float], float] = lambda t: 1 - t / 200
    position_hz: float = 20.0
    boot_offset_ms: int = 4_321
    delay_us: int = 3_000
    true_offset_m: tuple[float, float, float] = (0.3, -0.2, 0.1)
    """What is added to the estimate to get the truth."""
    estimate_offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    acks: bool = True
    extended: bool = True
    silent_s: tuple[float, float] = (0.0, 0.0)
    """No telemetry arrives in this time."""
    home: TangentPlane = field(default_factory=lambda: TangentPlane(52.0, 4.5, 0.0))


def write_flight(
    folder: Path, flight: Flight, *, outcome: Outcome = "completed", problem: str = "", **script: Any
) -> Path:
    """Writes the folder of `flight`: vehicle.tlog, truth.npy, events and a manifest."""
    folder.mkdir(parents=True, exist_ok=True)
    recorder = Recorder(folder, EPOCH_US)
    for now_us, message in telemetry(flight):
        if not flight.silent_s[0] <= now_us / 1e6 < flight.silent_s[1]:
            frame = message.pack(mavlink.MAVLink(None, srcSystem=1, srcComponent=1))
            recorder.frame("vehicle", now_us + flight.delay_us, bytes(frame))
    recorder.truth(truth_rows(flight).tobytes())
    recorder.close()
    manifest.write(_manifest(folder, flight, outcome, script).model_copy(update={"problem": problem}), folder)
    return folder


def telemetry(flight: Flight) -> list[tuple[int, Any]]:
    """Messages by flight time in microseconds, as a vehicle of the standard streams them."""
    messages: list[tuple[int, Any]] = []
    for now_s in np.arange(0, flight.end_s, 1 / flight.position_hz).tolist():
        messages += [(round(now_s * 1e6), message) for message in _positions(flight, now_s)]
    for now_s in np.arange(0, flight.end_s, 0.5).tolist():
        messages += [(round(now_s * 1e6), message) for message in _state(flight, now_s)]
    if flight.acks:
        messages.append((round(flight.armed_s[0] * 1e6), mavlink.MAVLink_command_ack_message(400, 0)))
    return sorted(messages, key=lambda pair: pair[0])


def _velocity(flight: Flight, now_s: float) -> FloatArray:
    before, after = flight.ned_m(now_s - 0.01), flight.ned_m(now_s + 0.01)
    velocity: FloatArray = (np.array(after) - np.array(before)) / 0.02
    return velocity


def _positions(flight: Flight, now_s: float) -> list[Any]:
    ned = np.array(flight.ned_m(now_s)) + np.array(flight.estimate_offset_m)
    velocity = _velocity(flight, now_s)
    boot_ms = round(now_s * 1000) + flight.boot_offset_ms
    latitude, longitude, altitude = flight.home.to_geodetic(*ned.tolist())
    return [
        mavlink.MAVLink_attitude_message(boot_ms, 0.05, -0.1, flight.yaw_rad(now_s), 0, 0, 0),
        mavlink.MAVLink_local_position_ned_message(boot_ms, *ned.tolist(), *velocity.tolist()),
        mavlink.MAVLink_global_position_int_message(
            boot_ms,
            round(latitude * 1e7),
            round(longitude * 1e7),
            round(altitude * 1e3),
            0,
            *(round(part * 100) for part in velocity.tolist()),
            0,
        ),
    ]


def _within(now_s: float, span: tuple[float, float]) -> bool:
    return span[0] <= now_s < span[1]


def _state(flight: Flight, now_s: float) -> list[Any]:
    mode = 128 if _within(now_s, flight.armed_s) else 0
    charge = round(flight.battery(now_s) * 100)
    messages = [
        mavlink.MAVLink_heartbeat_message(2, 0, mode, 0, 4, 3),
        mavlink.MAVLink_sys_status_message(0, 0, 0, 0, 3900, -1, charge, 0, 0, 0, 0, 0, 0),
    ]
    if flight.extended:
        landed = 2 if _within(now_s, flight.air_s) else 1
        messages.append(mavlink.MAVLink_extended_sys_state_message(0, landed))
    return messages


def truth_rows(flight: Flight) -> FloatArray:
    """The truth at 100 Hz."""
    rows = []
    for now_s in np.arange(0, flight.end_s, 0.01).tolist():
        ned = np.array(flight.ned_m(now_s)) + np.array(flight.true_offset_m)
        flags = (float(not _within(now_s, flight.air_s)), float(_within(now_s, flight.armed_s)))
        attitude = (0.05, -0.1, flight.yaw_rad(now_s), 0.0, 0.0, 0.0)
        rows.append([now_s, *ned, *_velocity(flight, now_s), *attitude, flight.battery(now_s), *flags])
    return np.array(rows)


def _manifest(folder: Path, flight: Flight, outcome: Outcome, script: dict[str, Any]) -> Manifest:
    return Manifest(
        flight_id=folder.name,
        scenario="invented",
        scenario_file="invented.scenario.yaml",
        scenario_sha256="",
        script_sha256="",
        expectations_sha256="",
        guard_sha256="",
        vehicle=VehicleRecord(name="palm80", kind="built-in"),
        seed=1,
        clock=ClockRecord(asked="any", kind="lockstep", deterministic=True, epoch_us=EPOCH_US),
        script=ScriptRecord(command=["python", "fly.py"], exit_code=0, ended="exited").model_copy(
            update=script
        ),
        started_utc="2026-01-01T00:00:00Z",
        flight_time_s=flight.end_s,
        outcome=outcome,
    )

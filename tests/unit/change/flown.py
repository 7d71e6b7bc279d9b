"""Flights made up for the tests of judging change: real folders, with a few frames up and down and given measures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pymavlink.dialects.v20 import development as mavlink

from asflown.change.sets import FlownFlight, read_flight
from asflown.grade.grade import write_grade
from asflown.grade.result import Grade, Measured, VerdictWord
from asflown.record import manifest as manifests
from asflown.record.capture import Recorder, Tap
from asflown.record.manifest import ClockRecord, Manifest, ScriptRecord, VehicleRecord
from asflown.scenario.model import Limit

EPOCH_US = 1_735_689_600_000_000
Sent = Sequence[tuple[float, Any]]
"""Messages by flight time in seconds."""

WIND = {"wind": {"speed_m_s": 2.0, "from_rad": 4.0}, "radio": "sub-ghz-telemetry"}


def take_off() -> Any:
    """A command to take off."""
    return mavlink.MAVLink_command_long_message(1, 1, 22, 0, 0, 0, 0, 0, 0, 0, 3.0)


def speed(speed_m_s: float) -> Any:
    """A command to fly at a speed."""
    return mavlink.MAVLink_command_long_message(1, 1, 178, 0, 1, speed_m_s, -1, 0, 0, 0, 0)


def go(north_m: float, east_m: float, down_m: float = -3.0, mask: int = 0b110111111000) -> Any:
    """A set-point; the mask asks for a position."""
    return mavlink.MAVLink_set_position_target_local_ned_message(
        0, 1, 1, 1, mask, north_m, east_m, down_m, north_m, east_m, 0, 0, 0, 0, 0, 0
    )


def heartbeat() -> Any:
    """A heartbeat of an autopilot."""
    return mavlink.MAVLink_heartbeat_message(2, 0, 128, 0, 4, 3)


def here(at_s: float, north_m: float = 0.0) -> Any:
    """Where the vehicle is."""
    return mavlink.MAVLink_local_position_ned_message(round(at_s * 1000), north_m, 0, -3, 0, 0, 0)


def level(at_s: float) -> Any:
    """That the vehicle is level and looks north."""
    return mavlink.MAVLink_attitude_message(round(at_s * 1000), 0, 0, 0, 0, 0, 0)


UP: Sent = ((1.0, take_off()), (2.0, speed(2.0)), (3.0, go(8, 0)), (3.5, go(8, 0)), (4.0, go(8, 6)))
DOWN: Sent = tuple(
    (0.1 + k / 5, message) for k in range(25) for message in (heartbeat(), here(k / 5), level(k / 5))
)


def measured(name: str, value: float, limit: float) -> Measured:
    """A measure in metres with an upper limit."""
    return Measured(name, "m", value, Limit(at_most=limit), (limit - value) / limit, "estimate")


def flight(
    folder: Path,
    *,
    seed: int = 1,
    up: Sent = UP,
    down: Sent = DOWN,
    lost: Sequence[int] = (),
    measures: Mapping[str, float] | None = None,
    verdict: VerdictWord = "pass",
    clock: Mapping[str, Any] | None = None,
    vehicle: Mapping[str, Any] | None = None,
    **changes: Any,
) -> FlownFlight:
    """A flight of `nest-boxes` by palm80@r1 in lockstep, its measures limited to 1 m; `lost` of `down` never arrive."""
    folder.mkdir(parents=True)
    _record(folder, up, down, lost)
    found = measures if measures is not None else {"cross_track_p95": 0.2}
    graded = tuple(measured(name, value, 1.0) for name, value in found.items())
    write_grade(folder, Grade(verdict, "", graded, (), (), (), ""))
    manifests.write(_manifest(folder, seed, dict(clock or {}), dict(vehicle or {}), changes), folder)
    return read_flight(folder)


def _record(folder: Path, up: Sent, down: Sent, lost: Sequence[int]) -> None:
    recorder = Recorder(folder, EPOCH_US)
    speaks: dict[Tap, Any] = {"script": mavlink.MAVLink(None, 245, 0), "vehicle": mavlink.MAVLink(None, 1, 1)}
    sent: list[tuple[float, Tap, Any]] = [(at_s, "script", message) for at_s, message in up]
    sent += [(at_s, "vehicle", message) for at_s, message in down]
    gone = {id(sent[len(up) + number]) for number in lost}
    for one in sorted(sent, key=lambda one: one[0]):
        at_s, tap, message = one
        frame = bytes(message.pack(speaks[tap]))
        if id(one) not in gone:
            recorder.frame(tap, round(at_s * 1e6), frame)
        speaks[tap].seq = (speaks[tap].seq + 1) % 256
    recorder.close()


def _manifest(
    folder: Path, seed: int, clock: dict[str, Any], vehicle: dict[str, Any], changes: dict[str, Any]
) -> Manifest:
    of_clock: dict[str, Any] = {
        "asked": "any",
        "kind": "lockstep",
        "deterministic": True,
        "epoch_us": EPOCH_US,
    }
    of_clock |= {"fingerprint": "f", "digest": f"digest {seed}"} | clock
    vehicle = {"name": "palm80", "kind": "built-in", "release": "r1", "parameters": {"tilt": 30.0}} | vehicle
    fields: dict[str, Any] = {
        "flight_id": folder.name,
        "scenario": "nest-boxes",
        "scenario_file": "gone.scenario.yaml",
        "scenario_sha256": "0",
        "script_sha256": "1",
        "expectations_sha256": "2",
        "guard_sha256": "3",
        "vehicle": VehicleRecord(**vehicle),
        "conditions": WIND,
        "seed": seed,
        "clock": ClockRecord(**of_clock),
        "script": ScriptRecord(
            command=["python", "nest_boxes.py", "--link", "udpin:127.0.0.1:24560"], exit_code=0
        ),
        "started_utc": "2026-03-01T10:00:00Z",
        "outcome": "completed",
    }
    return Manifest(**(fields | changes))


def several(
    folder: Path, values: Sequence[float], *, first_seed: int = 1, **changes: Any
) -> list[FlownFlight]:
    """One flight for each value of `cross_track_p95`, with seeds that count up and digests that are all unequal."""
    return [
        flight(
            folder / f"{first_seed + k}",
            seed=first_seed + k,
            measures={"cross_track_p95": value},
            clock={"digest": f"{folder}{k}"} | changes.get("clock", {}),
            **{name: given for name, given in changes.items() if name != "clock"},
        )
        for k, value in enumerate(values)
    ]

"""The manifest of a flight, `flight.json`: what was flown, with what, and how it ended.

Written before take-off with outcome `interrupted`, replaced atomically as the flight goes on, so that a killed
run leaves a readable folder that says so.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from asflown import files

SCHEMA_VERSION = 1
FILE_NAME = "flight.json"

Outcome = Literal["interrupted", "completed", "script-failed", "error"]
"""`completed`: flown to its end. `script-failed`: the script ended with another exit code than expected, or ran
over its time limit. `error`: could not be carried out. `interrupted`: the run was killed or stopped."""


class Part(BaseModel):
    """Base of the manifest's parts."""

    model_config = ConfigDict(extra="forbid")


class VehicleRecord(Part):
    """What was flown."""

    name: str
    kind: str
    airframe: str | None = None
    release: str | None = None
    parameters_sha256: str | None = None
    parameters: dict[str, float] = {}
    """By name, as they were when the script started; empty where nobody has read them."""
    identity: dict[str, Any] = {}
    facts: dict[str, Any] = {}
    """What only its kind has: a container's image and digest, a firmware's version and hardware number."""


class ClockRecord(Part):
    """Which clock the flight ran on and what that means for repeating it."""

    asked: Literal["any", "lockstep", "paced"]
    kind: Literal["lockstep", "paced"]
    deterministic: bool
    reason: str = ""
    """Why the flight was not in lockstep, naming the call; empty when it was, or when paced was asked for."""
    pace: float | None = None
    """Flight time over wall time, from spawning the script to the folder closed."""
    digest: str | None = None
    fingerprint: str | None = None
    accelerated: bool = False
    """Whether the vehicle's hot part was compiled; a fingerprint differs with it, too."""
    epoch_us: int = 0
    """Unix time of flight time zero, microseconds."""


class ScriptRecord(Part):
    """How the script fared."""

    command: list[str]
    exit_code: int | None = None
    expected_exit_code: int = 0
    started_us: int | None = None
    """Flight time at which the script was started, microseconds."""
    ended_us: int | None = None
    ended: Literal["", "exited", "time-limit", "stuck", "killed", "signal"] = ""
    cpu_s: float | None = None
    longest_compute_ms: float | None = None
    """The longest CPU time between two waits; free in lockstep, not on hardware."""
    frames_sent: int = 0
    datagrams_dropped: int = 0
    """Telemetry that did not fit into the script's receive queue."""


class SafetyEvent(Part):
    """Something that a person should know about: the guard's or the pilot's doing."""

    at_s: float
    what: str
    cause: str


class Manifest(Part):
    """Everything about one flight that is not in its captures."""

    schema_version: int = SCHEMA_VERSION
    flight_id: str
    scenario: str
    scenario_file: str
    scenario_sha256: str
    script_sha256: str
    """Over the files of the script's folder."""
    expectations_sha256: str
    guard_sha256: str
    git: dict[str, str] = {}
    vehicle: VehicleRecord
    vehicle_asked: str | None = None
    """What the command line named as the vehicle; None when the scenario's own was flown."""
    conditions: dict[str, Any] = {}
    """As drawn from the seed, written before take-off."""
    start: dict[str, Any] = {}
    """Home (degrees, metres), heading (radians), battery share."""
    operator: dict[str, str] = {}
    """What the person beside a real vehicle noted and confirmed, in their own words."""
    seed: int
    clock: ClockRecord
    script: ScriptRecord
    by_hand: bool = False
    """Flown by a pilot: there was no script, and nothing is known of one."""
    versions: dict[str, str] = {}
    started_utc: str
    flight_time_s: float = 0.0
    wall_time_s: float = 0.0
    outcome: Outcome = "interrupted"
    problem: str = ""
    """What is wrong and what to do, when the outcome is not `completed`."""
    preflight: dict[str, Any] = {}
    """Every item that was looked at before a real vehicle flew, and the reason where it flew in spite of them."""
    safety_events: list[SafetyEvent] = []
    link: dict[str, int] = {}
    """Counters of the hub: frames and bytes by endpoint and direction, drops."""
    captures: dict[str, int] = {}
    """Bytes of each file beside this one as it was closed; empty where nobody closed them, and in older folders."""


def write(manifest: Manifest, folder: Path) -> None:
    """Replaces the manifest in `folder` atomically and durably.

    Raises OSError when the folder cannot be written.
    """
    target = folder / FILE_NAME
    temporary = target.with_suffix(".json.part")
    with temporary.open("w", encoding="utf-8") as out:
        out.write(manifest.model_dump_json(indent=2))
        out.write("\n")
        out.flush()
        os.fsync(out.fileno())
    temporary.replace(target)


def read(folder: Path) -> Manifest:
    """The manifest of a flight folder.

    Raises OSError when there is none and pydantic.ValidationError when it is not one.
    """
    return Manifest.model_validate_json(files.read_plain(folder / FILE_NAME, follow=False).decode("utf-8"))

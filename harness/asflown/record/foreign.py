"""A manifest for a capture that was recorded by something else: what little is known of such a flight."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from asflown.record import decode
from asflown.record.manifest import ClockRecord, Manifest, ScriptRecord, VehicleRecord

_LAST_S = 253_402_300_799
"""The end of the year 9999: stamps of a capture may be anything."""


def capture_manifest(tlog: Path, scenario: str, scenario_file: Path | None) -> Manifest:
    """Stands for the manifest of the flight in `tlog`; its times are those of the capture.

    Raises FolderProblem when the capture cannot be read.
    """
    index = decode.index(tlog)
    first_us, last_us = (int(index.time_us[0]), int(index.time_us[-1])) if len(index) else (0, 0)
    started = datetime.fromtimestamp(min(max(first_us // 1_000_000, 0), _LAST_S), UTC)
    reason = "the capture was recorded by something else"
    return Manifest(
        flight_id=tlog.stem,
        scenario=scenario,
        scenario_file=str(scenario_file or ""),
        scenario_sha256="",
        script_sha256="",
        expectations_sha256="",
        guard_sha256="",
        vehicle=VehicleRecord(name=tlog.stem, kind="unknown"),
        seed=0,
        clock=ClockRecord(asked="any", kind="paced", deterministic=False, reason=reason, epoch_us=first_us),
        script=ScriptRecord(command=[]),
        started_utc=started.strftime("%Y-%m-%dT%H:%M:%SZ"),
        flight_time_s=max(0, last_us - first_us) / 1e6,
        outcome="completed",
    )

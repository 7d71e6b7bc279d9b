"""Flight folders for tests of the history and of baselines: a manifest and a grade, nothing flown."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from asflown.grade.grade import write_grade
from asflown.grade.result import Grade, Measured, VerdictWord
from asflown.record import manifest as manifests
from asflown.record.manifest import ClockRecord, Manifest, ScriptRecord, VehicleRecord
from asflown.scenario.model import Limit


def store_flight(
    store: Path,
    number: int,
    *,
    scenario: str = "hop",
    release: str = "r1",
    clock: Literal["lockstep", "paced"] = "lockstep",
    seed: int | None = None,
    verdict: VerdictWord = "pass",
    values: Mapping[str, float] | None = None,
    script: str = "script",
    digest: str | None = None,
    scenario_file: Path = Path("hop.scenario.yaml"),
    outcome: manifests.Outcome = "completed",
    day: int = 0,
) -> Path:
    """A flight in `store`; the number orders it in time, a minute apart, `day` days into January 2026."""
    minute = number % 1440
    started = f"2026-01-{1 + day + number // 1440:02d}T{minute // 60:02d}:{minute % 60:02d}:00+00:00"
    folder = store / f"flight-{number:05d}"
    folder.mkdir(parents=True)
    held = clock == "lockstep"
    manifest = Manifest(
        flight_id=folder.name, scenario=scenario, scenario_file=str(scenario_file),
        scenario_sha256="scenario", script_sha256=script, expectations_sha256="expectations",
        guard_sha256="guard", seed=number if seed is None else seed, started_utc=started, outcome=outcome,
        vehicle=VehicleRecord(name="palm80", kind="built-in", release=release, parameters_sha256="parameters"),
        clock=ClockRecord(asked="any", kind=clock, deterministic=held, digest=digest, fingerprint="machine"),
        script=ScriptRecord(command=["python", "hop.py"]),
    )  # fmt: skip
    manifests.write(manifest, folder)
    limit = Limit(at_most=1.0)
    measures = tuple(
        Measured(name, "s" if name == "duration" else "m", value, limit, 1.0 - value, "estimate")
        for name, value in (values or {}).items()
    )
    write_grade(folder, Grade(verdict, "", measures, (), (), (), "made up"))
    return folder


def rewrite(folder: Path, **changes: object) -> None:
    """Changes entries of a flight's manifest."""
    file = folder / manifests.FILE_NAME
    file.write_text(json.dumps(json.loads(file.read_text()) | changes))

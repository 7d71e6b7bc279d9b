"""Flights made up for the tests of reports; each builder takes what its test is about and fills in the rest."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from asflown.grade.result import Check, Grade, Measured, RuleGraded, VerdictWord
from asflown.record.manifest import ClockRecord, Manifest, ScriptRecord, VehicleRecord
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.scenario.model import Limit

LEG_4 = "leg 4 (line to 8, 6, 3 m)"

KEPT = Measured("cross_track_p95", "m", 0.31, Limit(at_most=0.8), 0.6125, "estimate")
VIOLATED = Measured(
    name="cross_track_p95",
    unit="m",
    value=2.2,
    limit=Limit(at_most=0.8),
    margin=-1.75,
    source="estimate",
    leg=LEG_4,
    at_s=22.1,
    says=f"{LEG_4} is 1.4 m too far right, from 22.1 s",
)
UNDECIDED = Measured(
    name="landing_offset",
    unit="m",
    value=None,
    limit=Limit(at_most=1.0),
    margin=None,
    source="estimate",
    says="not measurable: the flight ended in the air",
)
CEILING = RuleGraded("ceiling", "always (height < 4.5 m)", 0.3, "m", 1.35, "estimate")
EXIT_CODE = Check("script exit code", passed=True, says="the script ended with 0, as expected")
ANCHORS = "north, east and heading are the estimate's own at arming"


def manifest(**changes: Any) -> Manifest:
    """The manifest of a flight of seed 7 that went well, in lockstep."""
    clock = {"asked": "any", "kind": "lockstep", "deterministic": True, "pace": 64.6, "digest": "3f9a" * 16}
    fields: dict[str, Any] = {
        "flight_id": "f1",
        "scenario": "nest-boxes",
        "scenario_file": "scenarios/nest_boxes/nest-boxes.scenario.yaml",
        "scenario_sha256": "0" * 64,
        "script_sha256": "1" * 64,
        "expectations_sha256": "2" * 64,
        "guard_sha256": "3" * 64,
        "vehicle": VehicleRecord(name="palm80", kind="built-in", airframe="palm80", release="r1"),
        "seed": 7,
        "clock": ClockRecord(**(clock | {"fingerprint": "c0ffee"} | changes.pop("clock", {}))),
        "script": ScriptRecord(command=["python", "nest_boxes.py"], exit_code=0),
        "started_utc": "2026-03-01T10:00:00Z",
        "flight_time_s": 52.4,
        "wall_time_s": 0.8111111,
        "outcome": "completed",
    }
    return Manifest(**(fields | changes))


def grade(*measures: Measured, verdict: VerdictWord = "pass", reason: str = "", **changes: Any) -> Grade:
    """A grade of these measures, with one rule and one check that hold."""
    made = Grade(verdict, reason, measures, (CEILING,), (EXIT_CODE,), (), ANCHORS)
    return replace(made, **changes)


PASSED = grade(KEPT)
FAILED = grade(VIOLATED, verdict="fail", reason="cross_track_p95 is violated")


def flown(graded: Grade | None = PASSED, folder: Path = Path(".asflown/flights/f1"), **changes: Any) -> Flown:
    """One flight."""
    return Flown(manifest(**changes), graded, folder)


def outcome(*flights: Flown, verdict: VerdictWord = "pass", **changes: Any) -> ScenarioOutcome:
    """What these flights of nest-boxes on palm80 add up to."""
    made = ScenarioOutcome("nest-boxes", "palm80", verdict, f"{len(flights)} flown", flights)
    return replace(made, **changes)

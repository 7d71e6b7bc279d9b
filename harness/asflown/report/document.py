"""The JSON document: every flight with every number, for programs. SI throughout; keys in a fixed order.

`schema_version` changes when a key changes its meaning or goes away; new keys do not change it. A number that
JSON has no spelling for (infinite, not a number) is written as null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, cast

import asflown
from asflown.grade.result import Check, Measured, RuleGraded
from asflown.grade.tolerances import MeasureTolerance
from asflown.report import atomic
from asflown.report.document_model import (
    SCHEMA_VERSION,
    CheckEntry,
    Document,
    FlightEntry,
    LimitEntry,
    MeasureEntry,
    RuleEntry,
    SafetyEntry,
    ToleranceEntry,
    VerdictEntry,
)
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.repeat import again


def write_json(
    path: Path, outcomes: Iterable[ScenarioOutcome], changes: Mapping[str, Any] | None = None
) -> None:
    """Replaces the document at `path`; `changes` are entries of their own. Raises FolderProblem when it cannot be."""
    entries = {**document(outcomes), **(changes or {})}
    text = json.dumps(entries, indent=2, ensure_ascii=False, allow_nan=False)
    atomic.write_text(path, text + "\n")


def document(outcomes: Iterable[ScenarioOutcome]) -> Document:
    """The document as plain data."""
    outcomes = tuple(outcomes)
    return {
        "schema_version": SCHEMA_VERSION,
        "asflown": asflown.__version__,
        "flights": [_flight(outcome, flown) for outcome in outcomes for flown in outcome.flights],
        "verdicts": [_verdict(outcome) for outcome in outcomes],
    }


def _verdict(outcome: ScenarioOutcome) -> VerdictEntry:
    return {
        "scenario": outcome.name,
        "vehicle": outcome.vehicle,
        "verdict": outcome.verdict,
        "statement": outcome.statement,
        "confidence": outcome.confidence,
        "would_decide": outcome.would_decide,
        "flights": len(outcome.flights),
        "not_flown": list(outcome.not_flown),
        "failures": list(outcome.failures),
        "flown_again": list(outcome.flown_again),
        "tolerance_limits": [_tolerance(one) for one in outcome.tolerances],
    }


def _tolerance(tolerance: MeasureTolerance) -> ToleranceEntry:
    limits = tolerance.limits
    return {
        "measure": tolerance.name,
        "source": tolerance.source,
        "of": tolerance.of,
        "unit": tolerance.unit,
        "low": None if limits is None else _number(limits.low),
        "high": None if limits is None else _number(limits.high),
        "coverage": None if limits is None else limits.coverage,
        "confidence": None if limits is None else limits.confidence,
        "way": None if limits is None else limits.way,
        "says": tolerance.says,
    }


def _flight(outcome: ScenarioOutcome, flown: Flown) -> FlightEntry:
    manifest, clock, grade = flown.manifest, flown.manifest.clock, flown.grade
    return {
        "scenario": outcome.name,
        "vehicle": outcome.vehicle,
        "seed": manifest.seed,
        "verdict": flown.verdict,
        "reason": flown.reason,
        "clock": clock.kind,
        "deterministic": clock.deterministic,
        "not_deterministic_because": clock.reason,
        "digest": clock.digest,
        "fingerprint": clock.fingerprint,
        "pace": _number(clock.pace),
        "flight_time_s": _number(manifest.flight_time_s),
        "wall_time_s": _number(manifest.wall_time_s),
        "folder": str(flown.folder),
        "outcome": manifest.outcome,
        "problem": manifest.problem,
        "measures": [_measure(measured) for measured in grade.measures] if grade else [],
        "rules": [_rule(rule) for rule in grade.rules] if grade else [],
        "checks": [_check(check) for check in grade.checks] if grade else [],
        "safety_events": [
            SafetyEntry(at_s=event.at_s, what=event.what, cause=event.cause)
            for event in manifest.safety_events
        ],
        "legs_not_flown": list(grade.legs_not_flown) if grade else [],
        "anchors": grade.anchors if grade else "",
        "repeat": again(flown),
    }


def _measure(measured: Measured) -> MeasureEntry:
    return {
        "name": measured.name,
        "source": measured.source,
        "value": _number(measured.value),
        "unit": measured.unit,
        "limit": cast("LimitEntry", measured.limit.model_dump(mode="json", exclude_none=True)),
        "margin": _number(measured.margin),
        "passed": measured.passed,
        "leg": measured.leg,
        "at_s": _number(measured.at_s),
        "says": measured.says,
    }


def _rule(rule: RuleGraded) -> RuleEntry:
    return {
        "name": rule.name,
        "source": rule.source,
        "text": rule.text,
        "robustness": _number(rule.robustness),
        "unit": rule.unit,
        "margin_in_unit": _number(rule.margin_in_unit),
        "passed": rule.passed,
        "at_s": _number(rule.at_s),
        "part": rule.part,
        "broken_s": None if rule.broken_s is None else list(rule.broken_s),
        "says": rule.says,
    }


def _check(check: Check) -> CheckEntry:
    return {"name": check.name, "passed": check.passed, "says": check.says}


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None

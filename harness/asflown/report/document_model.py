"""The shape of the JSON document, which `document.py` writes and its published schema describes.

SI throughout; null where a number is not known or JSON has no spelling for it. Programs that read it must take keys
that they do not know: new ones come without a new version, a key that changes its meaning or goes away brings one.
"""

from __future__ import annotations

from typing import Any, Final, Literal, NotRequired

from pydantic import TypeAdapter
from typing_extensions import TypedDict

from asflown.grade.result import Source, VerdictWord

SCHEMA_VERSION: Final = 1
DIALECT = "https://json-schema.org/draft/2020-12/schema"


class LimitEntry(TypedDict):
    """What a measure may be, in SI; one of the three."""

    formula: NotRequired[str]
    at_most: NotRequired[float]
    at_least: NotRequired[float]
    between: NotRequired[list[float]]
    scale: NotRequired[float]


class MeasureEntry(TypedDict):
    """One measure of one flight; a margin is 0 at the limit and negative beyond it."""

    name: str
    source: Source
    value: float | None
    unit: str
    limit: LimitEntry
    margin: float | None
    passed: bool | None
    leg: str | None
    at_s: float | None
    says: str


class RuleEntry(TypedDict):
    """One rule of one flight; `part` is the piece that broke it, `broken_s` from when to when."""

    name: str
    source: Source
    text: str
    robustness: float | None
    unit: str
    margin_in_unit: float | None
    passed: bool | None
    at_s: float | None
    part: str
    broken_s: list[float] | None
    says: str


class CheckEntry(TypedDict):
    """What must hold beside measures and rules: the script's exit code, legs flown, no guard."""

    name: str
    passed: bool | None
    says: str


class SafetyEntry(TypedDict):
    """What the guard or the pilot did."""

    at_s: float
    what: str
    cause: str


class FlightEntry(TypedDict):
    """One flight."""

    scenario: str
    vehicle: str
    seed: int
    verdict: VerdictWord
    reason: str
    clock: Literal["lockstep", "paced"]
    deterministic: bool
    not_deterministic_because: str
    digest: str | None
    fingerprint: str | None
    pace: float | None
    flight_time_s: float | None
    wall_time_s: float | None
    folder: str
    outcome: Literal["interrupted", "completed", "script-failed", "error"]
    problem: str
    measures: list[MeasureEntry]
    rules: list[RuleEntry]
    checks: list[CheckEntry]
    safety_events: list[SafetyEntry]
    legs_not_flown: list[str]
    anchors: str
    repeat: str


class ToleranceEntry(TypedDict):
    """What a share of all flights keeps of one measure."""

    measure: str
    source: Source
    of: str
    unit: str
    low: float | None
    high: float | None
    coverage: float | None
    confidence: float | None
    way: str | None
    says: str


class VerdictEntry(TypedDict):
    """What all flights of one scenario on one vehicle add up to."""

    scenario: str
    vehicle: str
    verdict: VerdictWord
    statement: str
    confidence: float | None
    would_decide: str
    flights: int
    not_flown: list[int]
    failures: list[str]
    flown_again: list[str]
    tolerance_limits: list[ToleranceEntry]


class Document(TypedDict):
    """The report of `asflown fly --json` and `asflown grade --json`."""

    schema_version: Literal[1]
    asflown: str
    flights: list[FlightEntry]
    verdicts: list[VerdictEntry]
    against_baseline: NotRequired[list[dict[str, Any]]]
    matrix: NotRequired[dict[str, Any]]


def report_schema() -> dict[str, Any]:
    """The JSON Schema of the document."""
    return {
        "$schema": DIALECT,
        "$id": f"urn:asflown:report:{SCHEMA_VERSION}",
        **TypeAdapter(Document).json_schema(),
    }

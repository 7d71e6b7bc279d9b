"""Baselines in the JUnit report: what changed fails, the rest is told, and the published schema takes it."""

from __future__ import annotations

from dataclasses import replace

from asflown.change.baseline_judge import AgainstBaseline, PathChange
from asflown.change.findings import MeasureChange
from asflown.report.junit import junit_text
from tests.outside.junit_schema import read_report

CHANGED = MeasureChange(
    "cross_track_p95", "m", "estimate", (0.3, 0.3), (0.6, 0.6), 0.3, (0.2, 0.4), 0.1, 0.001, 1.0, "changed", 0.1, 0.9,
)  # fmt: skip
UNDECIDED = replace(CHANGED, name="duration", unit="s", word="undecided")
FOUND = AgainstBaseline(
    "hop on palm80@r1", 3, True, "different", "changed", (CHANGED, UNDECIDED),
    PathChange("leg 2 (line to 8, 0, 3 m)", 0.5, 1.2, 0.1), ("`duration` allows more",), ("release r2 <&> r1",),
)  # fmt: skip


def failures(found: AgainstBaseline) -> dict[str, str]:
    """What the report says of cases that failed, by name; validated on the way."""
    root = read_report(junit_text([], [found]))
    return {
        case.get("name", ""): failure.get("message", "")
        for case in root.iter("testcase")
        for failure in case.iter("failure")
    }


def test_what_changed_fails() -> None:
    """Measures, the path and tolerances; what is undecided does not fail."""
    assert failures(FOUND) == {
        "cross_track_p95 (estimate)": "cross_track_p95 0.30 m to 0.60 m (+0.30 m): changed",
        "path": "the path on leg 2 (line to 8, 0, 3 m) is 1.20 m off the approved one",
        "tolerances": "`duration` allows more",
    }


def test_what_stayed_passes() -> None:
    """A case for each fact is there, and none of them failed."""
    assert failures(replace(FOUND, measures=(UNDECIDED,), path=None, loosened=())) == {}

"""Wrong on purpose: each variant of a demo script fails, for the reason that a person would name.

And a script that looks its modes up by the autopilot's number flies a craft with numbers of its own.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.flights.flying import SCENARIOS, fly

HERE = Path(__file__).parent
WRONG = {
    "east-north-swapped": (
        {"cross_track_p95", "dwell_at_holds"},
        ["leg 2 (line to 8, 0, 3 m) was not flown"],
    ),
    "box-left-out": (
        {"cross_track_p95", "dwell_at_holds"},
        ["leg 6 (line to 1, 7, 3 m) was not flown", "leg 7 (hold for 3 s)"],
    ),
    "twice-as-fast": (
        {"speed_on_legs"},
        ["leg 2 (line to 8, 0, 3 m) was flown at 3", "instead of 2.00 m/s"],
    ),
    "lands-elsewhere": (
        {"landing_offset"},
        ["leg 11 (land) ended", "m right)"],
    ),
    "rows-too-high": (
        {"vertical_p95"},
        ["leg 2 (line to 12, 0, 1.5 m) is up to", "too high", "'below the roof'"],
    ),
    "rows-to-the-left": (
        {"cross_track_max", "landing_offset"},
        ["leg 3 (line to 12, 2, 1.5 m) was not flown", "m left)"],
    ),
    "row-end-cut": ({"cross_track_max"}, ["leg 3 (line to 12, 2, 1.5 m) was not flown"]),
    "circle-other-way": (set(), ["rule 'goes round by the left'"]),
    "circle-half-flown": ({"cross_track_p95"}, ["leg 3 (arc of 360 deg"]),
    "shadow-gives-up": (
        {"dwell_at_holds", "landing_offset"},
        ["leg 2 (line to 60, 0, 8 m) was not flown", "rule 'carries on to the end of the bank'"],
    ),
    "shadow-counts-seconds": (
        {"dwell_at_holds"},
        ["leg 2 (line to 60, 0, 8 m) was not flown", "rule 'carries on to the end of the bank'"],
    ),
    "reserve-ignored": (
        {"duration"},
        ["rule 'lands with something left'", "rule 'does not go for the fourth'"],
    ),
    "lands-in-the-field": ({"landing_offset"}, ["leg 8 (return) was not flown", "leg 9 (land) ended 24."]),
}
"""Variant: measures that must fail, and words that must be said."""


@pytest.mark.flight
@pytest.mark.parametrize("variant", WRONG)
def test_a_wrong_script_fails_for_its_own_reason(variant: str, tmp_path: Path) -> None:
    """Exit code 1; the measure that is meant fails, and the message names the leg."""
    measures, words = WRONG[variant]
    flown = fly(tmp_path, HERE / "variants" / f"{variant}.scenario.yaml", "--flights", "1")
    assert flown.exit_code == 1, flown.says()
    failed = {measure["name"] for measure in flown.flight["measures"] if (measure["margin"] or 0) < 0}
    assert measures <= failed
    for phrase in words:
        assert phrase in flown.says()


@pytest.mark.flight
def test_too_fast_and_nothing_else_is_wrong_with_the_fast_one(tmp_path: Path) -> None:
    """The measures are told apart: only the speed fails."""
    flown = fly(tmp_path, HERE / "variants" / "twice-as-fast.scenario.yaml", "--flights", "1")
    failed = {measure["name"] for measure in flown.flight["measures"] if (measure["margin"] or 0) < 0}
    assert failed == {"speed_on_legs"}


@pytest.mark.flight
def test_a_craft_with_numbers_of_its_own_is_flown_unmodified(tmp_path: Path) -> None:
    """Modes as pairs, looked up by the heartbeat's autopilot number; a stream before entry; take-off by set-points."""
    flown = fly(tmp_path, HERE / "scripts" / "own-numbers.scenario.yaml")
    assert flown.exit_code == 0, flown.says()
    assert flown.manifest.vehicle.identity["autopilot"] == 118


@pytest.mark.flight
def test_without_that_identity_the_same_script_finds_no_craft(tmp_path: Path) -> None:
    """Numbers are looked up, not guessed: against the plain craft the script gives up."""
    flown = fly(tmp_path, HERE / "scripts" / "own-numbers.scenario.yaml", "--vehicle", "palm80")
    assert flown.exit_code == 1, flown.says()


@pytest.mark.flight
@pytest.mark.parametrize("demo", ["glasshouse_rows", "mast_circle", "radio_shadow", "low_battery_walk_back"])
def test_what_is_right_passes(demo: str, tmp_path: Path) -> None:
    """The scripts that the variants are made of, in lockstep (test_demos.py flies two of them in wall time, too)."""
    flown = fly(tmp_path, SCENARIOS / demo, "--flights", "1", "--clock", "lockstep")
    assert flown.exit_code == 0, flown.says()

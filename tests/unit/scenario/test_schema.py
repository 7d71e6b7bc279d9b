"""The JSON Schemas agree with what the files may say, as an independent validator sees it."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from asflown.scenario.schema import json_schema
from tests.unit.scenario.files import SCENARIO, VEHICLE, spoilt


def complaints(kind: Any, text: str) -> int:
    return len(list(Draft202012Validator(json_schema(kind)).iter_errors(yaml.safe_load(text))))


@pytest.mark.parametrize("kind", ["scenario", "vehicle"])
def test_schema_is_a_schema(kind: Any) -> None:
    """It obeys the published dialect that it names."""
    Draft202012Validator.check_schema(json_schema(kind))


@pytest.mark.parametrize(("kind", "text"), [("scenario", SCENARIO), ("vehicle", VEHICLE)])
def test_sound_file_fits_the_schema(kind: Any, text: str) -> None:
    """A file that loads is valid."""
    assert complaints(kind, text) == 0


OWN = "fastest: {formula: max(speed), at_most: 3 m/s}\n    cross_track_p95"
JUDGE = "judge: {share: 0.9, confidence: 0.9, tolerance: normal}"
FITS = {
    "own measure": ("cross_track_p95", OWN, True),
    "own measure without a limit": ("cross_track_p95", OWN.replace(", at_most: 3 m/s", ""), False),
    "normal tolerance limits": ("judge: every-flight", JUDGE, True),
    "other tolerance limits": ("judge: every-flight", JUDGE.replace("normal", "usual"), False),
    "less confidence than none": (
        "judge: every-flight",
        JUDGE.replace("confidence: 0.9", "confidence: 0.4"),
        False,
    ),
}


@pytest.mark.parametrize(("old", "new", "fits"), FITS.values(), ids=FITS.keys())
def test_measures_of_ones_own_and_verdicts_by_share(old: str, new: str, fits: bool) -> None:
    """The schema knows what a share, its tolerance limits and a formula look like."""
    assert (complaints("scenario", spoilt(SCENARIO, old, new)) == 0) == fits


def test_file_that_extends_another_may_leave_things_out() -> None:
    """What is missing may stand in the other file."""
    assert complaints("scenario", "extends: base.scenario.yaml\nname: windy\n") == 0
    assert complaints("scenario", "name: windy\n") > 0


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("height: 8 m", "height: 8"),
        ("time_limit", "tmie_limit"),
        ("0.8 m", "0.8 s"),
        ("cross_track_p95", "crosstrack_p95"),
        ("{at_most: 0.8 m}", "{at_most: 0.8 m, at_least: 0.1 m}"),
        ("clock: any", "clock: slow"),
        ("[8 m, 0 m, 3 m]", "[8 m, 0 m]"),
        ("name: pond-round\n", ""),
    ],
)
def test_mistake_of_form_does_not_fit_the_schema(old: str, new: str) -> None:
    """What the form alone forbids, the schema forbids too."""
    assert complaints("scenario", spoilt(SCENARIO, old, new)) > 0


def test_schema_shows_no_default_in_si() -> None:
    """Defaults are numbers inside and quantities in files: they are left out."""
    assert '"default"' not in str(json_schema("scenario"))

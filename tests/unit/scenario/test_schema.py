"""The JSON Schemas agree with what the files may say, as an independent validator sees it."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from asflown.scenario.base import Model
from asflown.scenario.meanings import key_of, models_below
from asflown.scenario.model import Scenario, VehicleFile
from asflown.scenario.schema import json_schema
from tests.unit.scenario.files import SCENARIO, VEHICLE, spoilt
from tests.unit.source import ROOT


@cache
def validator(kind: Any) -> Draft202012Validator:
    return Draft202012Validator(json_schema(kind))


def complaints(kind: Any, text: str) -> int:
    return len(list(validator(kind).iter_errors(yaml.safe_load(text))))


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


FILES = sorted(
    file
    for folder in ("scenarios", "tests/flights", "ci")
    for suffix in ("scenario", "vehicle")
    for file in (ROOT / folder).rglob(f"*.{suffix}.yaml")
)


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(ROOT)))
def test_every_file_of_the_project_fits_its_schema(file: Path) -> None:
    """Demos, variants and vehicles: an editor marks nothing in a file that flies."""
    kind = file.name.split(".")[-2]
    assert complaints(kind, file.read_text(encoding="utf-8")) == 0


@pytest.mark.parametrize(("kind", "model"), [("scenario", Scenario), ("vehicle", VehicleFile)])
def test_every_key_is_in_the_schema_with_its_meaning(kind: Any, model: type[Model]) -> None:
    """What a model takes, an editor completes and explains."""
    schema = json_schema(kind)
    silent = []
    for name, below in models_below(model).items():
        part = schema if below is model else schema["$defs"].get(name, {})
        told = {key: entry.get("description") for key, entry in part.get("properties", {}).items()}
        silent += [
            f"{name}.{key}"
            for field in below.model_fields
            if name != "Limit" and not told.get(key := key_of(below, field))
        ]  # limits have a form of their own for each measure
    assert silent == []
    assert len(models_below(model)) > 8

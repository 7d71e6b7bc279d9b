"""Flights that earlier versions flew: their folders are read, and still grade the same.

`kept_folders/format-N` was flown by the first version that wrote format N; its truth is left out, for its size.
"""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path

import pytest

from asflown.grade.grade import grade_flight, read_grade
from asflown.record.folder import read_events, read_manifest
from asflown.scenario.file import load_scenario

FOLDERS = sorted((Path(__file__).parent / "kept_folders").iterdir())


@pytest.mark.parametrize("kept", FOLDERS, ids=lambda folder: folder.name)
def test_an_old_flight_still_grades_the_same(kept: Path, tmp_path: Path) -> None:
    """Verdict, measures, margins and robustness are those of the version that flew it."""
    folder = tmp_path / "flight"
    shutil.copytree(kept, folder)
    then = read_grade(folder)
    now = grade_flight(folder, load_scenario(folder / "scenario.scenario.yaml").scenario)
    assert now.verdict == then.verdict
    assert [one.name for one in now.measures] == [one.name for one in then.measures]
    for new, old in zip((*now.measures, *now.rules), (*then.measures, *then.rules), strict=True):
        values = [
            (getattr(new, name, None), getattr(old, name, None)) for name in ("value", "margin", "robustness")
        ]
        assert all(a == b or math.isclose(a or 0, b or 0, rel_tol=1e-9) for a, b in values), (new, old)


@pytest.mark.parametrize("kept", FOLDERS, ids=lambda folder: folder.name)
def test_an_old_flights_files_say_their_format(kept: Path) -> None:
    """The manifest has its format's number, which is the folder's, and all its events are read."""
    assert f"format-{read_manifest(kept).schema_version}" == kept.name
    assert len(list(read_events(kept))) == len((kept / "events.jsonl").read_text().splitlines())
    assert json.loads((kept / "flight.json").read_text())["versions"]

"""Hashes of what was flown: what counts as the script, and what does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.flight import provenance
from asflown.flight.provenance import sha256_of_folder
from asflown.flight.script_files import own_files

NOT_THE_SCRIPTS = {
    "a baseline": "baseline/hop.palm80.r1.baseline.yaml",
    "a hidden file": ".notes",
    "a derived file": "__pycache__/hop.pyc",
    "a text for people": "README.md",
    "a flight": "kept/20260101T000000Z-hop-palm80-1/flight.json",
    "a flight that begins": "kept/20260101T000000Z-hop-palm80-1/vehicle.tlog",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A script's folder."""
    (tmp_path / "hop.py").write_text("fly()")
    return tmp_path


@pytest.mark.parametrize("name", NOT_THE_SCRIPTS.values(), ids=NOT_THE_SCRIPTS.keys())
def test_what_is_not_the_scripts_changes_no_hash(folder: Path, name: str) -> None:
    """Approving a baseline is no change of the script that it is about."""
    before = sha256_of_folder(folder)
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("something")
    assert sha256_of_folder(folder) == before


@pytest.mark.parametrize("name", ["hop.py", "parts/legs.py", "parts/baseline/legs.csv"])
def test_what_is_the_scripts_changes_the_hash(folder: Path, name: str) -> None:
    """Its own file, one below it, and a folder of that name elsewhere."""
    before = sha256_of_folder(folder)
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("something else")
    assert sha256_of_folder(folder) != before


REPORTS = {
    "found.json": '{\n  "schema_version": 1,\n  "asflown": "0.1.0",\n  "flights": []}',
    "report.xml": '<?xml version="1.0" encoding="utf-8"?>\n<testsuites name="asflown" tests="1">',
}


@pytest.mark.parametrize(("name", "text"), REPORTS.items(), ids=REPORTS.keys())
def test_a_report_beside_the_script_changes_no_hash(folder: Path, name: str, text: str) -> None:
    """Only what asflown wrote is left out: another document of that name is the script's."""
    before = sha256_of_folder(folder)
    (folder / name).write_text(text)
    assert sha256_of_folder(folder) == before
    (folder / name).write_text(text.replace("asflown", "legs"))
    assert sha256_of_folder(folder) != before


def test_what_goes_away_meanwhile_is_not_missed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another run's file, there when the folder was listed and gone when it is read."""
    before = sha256_of_folder(folder)
    gone = folder / "gone.json.part"
    monkeypatch.setattr(provenance, "own_files", lambda of: [*own_files(of), gone])
    assert sha256_of_folder(folder) == before

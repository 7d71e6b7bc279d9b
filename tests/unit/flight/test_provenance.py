"""Hashes of what was flown: what counts as the script, and what does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.flight.provenance import sha256_of_folder

NOT_THE_SCRIPTS = {
    "a baseline": "baseline/hop.palm80.r1.baseline.yaml",
    "a hidden file": ".notes",
    "a derived file": "__pycache__/hop.pyc",
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
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text("something")
    assert sha256_of_folder(folder) == before


@pytest.mark.parametrize("name", ["hop.py", "parts/legs.py", "parts/baseline/legs.csv"])
def test_what_is_the_scripts_changes_the_hash(folder: Path, name: str) -> None:
    """Its own file, one below it, and a folder of that name elsewhere."""
    before = sha256_of_folder(folder)
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("something else")
    assert sha256_of_folder(folder) != before

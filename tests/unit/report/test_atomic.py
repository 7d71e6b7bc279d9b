"""Reports that are whole or not there."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from asflown.errors import FolderProblem
from asflown.report import atomic


def test_write_makes_the_folder_and_leaves_nothing_beside_the_file(tmp_path: Path) -> None:
    """A report lands in a folder that may not exist yet, alone."""
    target = tmp_path / "deep" / "report.xml"
    atomic.write_text(target, "one")
    atomic.write_text(target, "two")
    assert target.read_text() == "two"
    assert [path.name for path in target.parent.iterdir()] == ["report.xml"]


def test_a_report_is_as_readable_as_any_file(tmp_path: Path) -> None:
    """The report has the permissions that the umask gives: a CI server's other user can read it."""
    plain, target = tmp_path / "plain", tmp_path / "report.xml"
    plain.write_text("")
    atomic.write_text(target, "one")
    assert stat.S_IMODE(target.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def _write(path: Path) -> None:
    atomic.write_text(path, "text")


@pytest.mark.parametrize("write", [_write, atomic.check_writable], ids=["write", "check"])
@pytest.mark.parametrize("below", ["file/report.xml", "file/deep/report.xml"])
def test_a_place_below_a_file_is_refused(tmp_path: Path, write: Callable[[Path], None], below: str) -> None:
    """A report below something that is no folder is a user's mistake, told with its reason."""
    (tmp_path / "file").write_text("")
    with pytest.raises(FolderProblem) as caught:
        write(tmp_path / below)
    assert str(caught.value) == (
        f"{tmp_path / below} cannot be written (Not a directory). Name a place that can be written"
    )


def test_a_folder_in_the_place_of_a_file_is_refused(tmp_path: Path) -> None:
    """The name of a folder is not the name of a report."""
    with pytest.raises(FolderProblem, match="is a folder. Name a file"):
        atomic.check_writable(tmp_path)


def test_check_leaves_nothing_behind(tmp_path: Path) -> None:
    """Proving that a file can be written writes none."""
    atomic.check_writable(tmp_path / "new" / "report.xml")
    atomic.check_folder_writable(tmp_path / "flights")
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["flights", "new"]


def test_a_full_disk_keeps_the_old_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the disk refuses the new report, the old one stays whole and no part is left."""
    target = tmp_path / "report.xml"
    atomic.write_text(target, "old")

    def refuse(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(FolderProblem, match="No space left on device"):
        atomic.write_text(target, "new")
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["report.xml"]

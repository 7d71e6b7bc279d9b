"""Cuts files of a flight's folder short, as a power cut or a copy that was broken off leaves them, and runs commands.

Whatever the length, a command must end in one of two ways: it opens, or one sentence says which file is not whole.
What the readers make of every length is the affair of `cut_readers`.
"""

from __future__ import annotations

import contextlib
import functools
import io
import os
import resource
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from asflown.cli import main as cli
from asflown.errors import ExitCode, FolderProblem
from asflown.grade.grade import FILE_NAME as GRADE
from asflown.record import decode, truth
from asflown.record.folder import VEHICLE_TLOG
from asflown.record.manifest import FILE_NAME as MANIFEST
from asflown.record.track import load_track

MEMORY_KB_MOST = 200_000
"""What reading a small flight, however it is cut, may add to the most that this process has ever used."""


@dataclass(frozen=True)
class Seen:
    """What became of one look at a cut folder."""

    file: str
    length: int
    whole: int
    grade_code: int
    report_code: int
    said: str
    """All that both commands wrote, in one line."""

    def wrong(self, *, closed: bool) -> str:
        """What is not as it should be; '' when all is well. `closed`: the manifest knows how long files were."""
        if ExitCode.FAULT in (self.grade_code, self.report_code) or "Traceback" in self.said:
            return f"a fault: {self.said}"
        expected = _expected(self, closed=closed)
        if (self.grade_code, self.file in self.said) != expected:
            return f"exit code {self.grade_code}, expected {expected}: {self.said}"
        return ""


def _expected(seen: Seen, *, closed: bool) -> tuple[int, bool]:
    """The exit code of `asflown grade`, and whether the file is named."""
    if seen.file == MANIFEST and seen.length < seen.whole - 1:  # without its line end it is whole, too
        return ExitCode.USAGE, True
    if not closed:
        return ExitCode.NOT_FLOWN, False
    if seen.file in (MANIFEST, GRADE) or seen.length == seen.whole:
        return ExitCode.PASSED, False
    return ExitCode.INCONCLUSIVE, True


class Cutter:
    """A copy of a flight's folder, whose files are cut and made whole again."""

    def __init__(self, source: Path, copy: Path) -> None:
        shutil.copytree(source, copy)
        self._source, self.folder = source, copy
        self._page = copy.parent / "page.md"

    def sizes(self) -> dict[str, int]:
        """Bytes of each file of the whole flight."""
        return {file.name: file.stat().st_size for file in sorted(self._source.iterdir()) if file.is_file()}

    def looks(self, name: str, lengths: Iterable[int]) -> Iterator[Seen]:
        """Cuts the file to each length and looks; then it is whole again."""
        whole = (self._source / name).stat().st_size
        for length in lengths:
            shutil.copyfile(self._source / name, self.folder / name)
            os.truncate(self.folder / name, length)
            _load_track(self.folder, name)
            grade_code, said = _command("grade", self.folder)
            report_code, more = _command("report", self.folder, "--markdown", self._page)
            yield Seen(name, length, whole, grade_code, report_code, " ".join((said + more).split()))
        shutil.copyfile(self._source / name, self.folder / name)

    def site(self) -> tuple[int, str]:
        """Writes the pages of the flight: exit code, and what was said."""
        return _command("report", self.folder, "--site", self.folder.parent / "site")


def _load_track(folder: Path, name: str) -> None:
    """The tracks that the commands do not ask for. Raises what is neither a track nor a FolderProblem."""
    with contextlib.suppress(FolderProblem):
        if name == truth.FILE_NAME:
            load_track(folder, "truth")
        elif name == VEHICLE_TLOG:
            load_track(folder / name)


@contextlib.contextmanager
def one_parser() -> Iterator[None]:
    """The parser of the command line is made once, not for each command: half of the time of a small one."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cli, "build_parser", functools.cache(cli.build_parser))
        yield


def _command(*words: str | Path) -> tuple[int, str]:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = cli.main([str(word) for word in words])
    return code, out.getvalue()


def boundaries(folder: Path, name: str) -> list[int]:
    """Where the records of a file begin and end."""
    file = folder / name
    size = file.stat().st_size
    if name.endswith(".tlog"):
        index = decode.index(file)
        return [0, *(int(start) - 8 for start in index.frame_start), size]
    if name == truth.FILE_NAME:
        return [0, *range(truth.HEADER_BYTES, size + 1, truth.ROW_BYTES)]
    text = file.read_bytes()
    return [0, *(at + 1 for at, byte in enumerate(text) if byte == ord("\n")), size]


def memory_kb() -> int:
    """The most that this process has used, kB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

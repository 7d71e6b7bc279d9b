"""Files that are whole or not there: a report is never seen half written, whatever kills the run."""

from __future__ import annotations

import errno
import os
import tempfile
from pathlib import Path

from asflown.errors import FolderProblem


def check_writable(path: Path) -> None:
    """Makes the folder of `path` and proves, before anything flies, that a file can be put there.

    Raises FolderProblem when it cannot.
    """
    if path.is_dir():
        raise FolderProblem(f"{path} is a folder", "Name a file")
    try:
        _make_folder(path.parent)
        with tempfile.TemporaryFile(dir=path.parent):
            pass
    except OSError as error:
        raise _not_writable(path, error) from error


def check_folder_writable(folder: Path) -> None:
    """Makes `folder` and proves that files can be put into it. Raises FolderProblem when they cannot."""
    check_writable(folder / "probe")


def write_text(path: Path, text: str, *, durable: bool = True) -> None:
    """Replaces `path` in one step; `durable` waits for the disk, which what can be made again need not.

    Raises FolderProblem when that fails; the old file then stays.
    """
    write_bytes(path, text.encode("utf-8"), durable=durable)


def write_bytes(path: Path, data: bytes, *, durable: bool = True) -> None:
    """As `write_text`, for what is no text. Raises FolderProblem."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        _make_folder(path.parent)
        _replace(path, part, data, durable=durable)
    except OSError as error:
        raise _not_writable(path, error) from error


def _replace(path: Path, part: Path, data: bytes, *, durable: bool) -> None:
    try:
        with part.open("wb") as out:
            out.write(data)
            if durable:
                out.flush()
                os.fsync(out.fileno())
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:  # only what is no folder gets here
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder)) from error


def _not_writable(path: Path, error: OSError) -> FolderProblem:
    return FolderProblem(f"{path} cannot be written ({error.strerror})", "Name a place that can be written")

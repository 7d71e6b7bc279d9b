"""Looking at files that somebody else may have made: plain files of a bounded size, and nothing that waits for ever.

A name from a file may lead anywhere: to a pipe that nobody writes to, to a device without end, to a name too long for
the system. None of that may hang a command, fill the memory or end in a traceback.
"""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

DOCUMENT_BYTES_MAX = 64_000_000
"""Of a JSON document: a manifest, a grade, a plan."""


def read_plain(path: Path, bytes_max: int = DOCUMENT_BYTES_MAX, *, follow: bool = True) -> bytes:
    """The whole of a plain file. Raises OSError, also for what is no plain file, or larger than `bytes_max`."""
    with open_plain(path, follow=follow) as file:
        data = file.read(bytes_max + 1)
    if len(data) > bytes_max:
        raise OSError(errno.EFBIG, f"it is larger than {bytes_max / 1e6:g} MB", str(path))
    return data


def open_plain(path: Path, *, follow: bool = True) -> BinaryIO:
    """A plain file opened for reading; nothing waits for a pipe. Raises OSError, also for what is no plain file.

    Without `follow` a symbolic link is none either: what lies in a flight's folder is shown in reports, and a folder
    that came from elsewhere must not show what only its reader has.
    """
    flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY
    try:
        descriptor = os.open(_told(path), flags if follow else flags | os.O_NOFOLLOW)
    except OSError as error:
        if error.errno == errno.ELOOP and not follow:
            raise OSError(errno.ELOOP, "it is a link that leads elsewhere", str(path)) from error
        raise
    try:
        check_plain(path, descriptor)
        return os.fdopen(descriptor, "rb")
    except OSError:
        os.close(descriptor)
        raise


def from_json(data: bytes | str) -> Any:
    """What a JSON text holds. Raises ValueError, also for one that is nested too deep, or holds what no file can."""
    try:
        found = json.loads(data)
        escapes = b"\\u" in data if isinstance(data, bytes) else "\\u" in data
        if escapes:  # half a character may be written so
            json.dumps(found, ensure_ascii=False).encode("utf-8")
    except RecursionError as error:
        raise ValueError("it is nested too deep") from error
    return found


def check_plain(path: Path, descriptor: int) -> None:
    """Raises OSError where an open file is a folder, a device, a pipe or a socket."""
    mode = os.fstat(descriptor).st_mode
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "it is not a plain file", str(path))


def check_no_link(path: Path) -> None:
    """Raises OSError where `path` is a symbolic link."""
    if path.is_symlink():
        raise OSError(errno.ELOOP, "it is a link that leads elsewhere", str(path))


def is_file(path: Path) -> bool:
    """Whether there is a plain file; a name that no file can have is none."""
    return _mode(path, stat.S_ISREG)


def is_folder(path: Path) -> bool:
    """Whether there is a folder; a name that no folder can have is none."""
    return _mode(path, stat.S_ISDIR)


def names_in(folder: Path) -> list[str]:
    """The names in a folder, sorted; none where it cannot be read."""
    try:
        return sorted(entry.name for entry in folder.iterdir())
    except (OSError, ValueError):
        return []


def _mode(path: Path, kind: Callable[[int], bool]) -> bool:
    try:
        return kind(path.stat().st_mode)
    except (OSError, ValueError):  # too long, a loop of links, a zero byte in it
        return False


def _told(path: Path) -> str:
    """The path for the system. Raises OSError where no file can be called so."""
    text = str(path)
    if "\0" in text:
        raise OSError(errno.EINVAL, "its name has a zero byte in it", text)
    return text

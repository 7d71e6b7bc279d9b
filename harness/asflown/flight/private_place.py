"""A folder of this user's alone for the sockets of one flight; what runs that were killed have left is swept away.

Its lock tells that it is in use: the system frees that when its holder ends, however that happens. Only folders of this
user with a lock that nobody holds are swept, and only their files, never anything below. A folder's name has its
maker's process in it: one whose maker is gone is swept at once, any other when it is old enough.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import stat
import tempfile
from pathlib import Path

from asflown.clock.wall import utc_now

PREFIX, LOCK = "asflown-", "lock"
OLD_ENOUGH_S = 60.0
"""A younger one may be about to be locked, while its maker lives."""


class PrivatePlace:
    """Exists from its making to its closing."""

    def __init__(self) -> None:
        """Raises OSError when there is no room for it."""
        sweep()
        maker = f"{PREFIX}{os.getpid()}-"  # and no more: the path of a socket must be short
        self.path = Path(tempfile.mkdtemp(prefix=maker))
        self._lock = os.open(self.path / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def close(self) -> None:
        """Removes it; harmless when called twice. The lock goes first: removing may need its descriptor."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1
            _remove(self.path)


def sweep() -> None:
    """Removes what nobody uses any more."""
    with contextlib.suppress(OSError):
        for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
            with contextlib.suppress(OSError):
                if _is_left(folder):
                    _remove(folder)


def _is_left(folder: Path) -> bool:
    """Raises OSError for what is no such folder."""
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid():
        return False
    if _lives(folder) and utc_now().timestamp() - found.st_mtime < OLD_ENOUGH_S:
        return False
    lock = os.open(folder / LOCK, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    finally:
        os.close(lock)
    return True


def _lives(folder: Path) -> bool:
    """Whether the process may live that made it."""
    maker = folder.name.removeprefix(PREFIX).partition("-")[0]
    return not maker.isdecimal() or Path("/proc", maker).exists() or not Path("/proc/self").exists()


def _remove(folder: Path) -> None:
    with contextlib.suppress(OSError):
        for name in os.listdir(folder):  # noqa: PTH208 - one descriptor, where there may be no other
            (folder / name).unlink(missing_ok=True)
        folder.rmdir()

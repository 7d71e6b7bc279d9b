"""One rig, one user: a lock by the vehicle's name and links, for as long as its keeper lives.

The system frees it when its holder ends, however that happens.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import tempfile
from pathlib import Path

from asflown.errors import VehicleProblem
from asflown.scenario.model import VehicleFile


def lock_path(file: VehicleFile) -> Path:
    """Where the lock of a rig is: the same for everybody on this machine."""
    mark = hashlib.sha256(f"{file.name}\n{file.link}\n{file.physics_link}".encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"asflown-rig-{mark}.lock"


class RigLock:
    """Held by one process at a time."""

    def __init__(self, path: Path) -> None:
        """Raises VehicleProblem when somebody else holds it."""
        self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o666)
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.pread(self._descriptor, 64, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(self._descriptor)
            raise VehicleProblem(
                f"the bench rig is in use by process {holder}",
                "Wait until that run has ended; its lock goes with it",
            ) from error
        os.truncate(self._descriptor, 0)
        os.pwrite(self._descriptor, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Lets others have it. Harmless when called twice."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

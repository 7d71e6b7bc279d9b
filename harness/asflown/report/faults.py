"""Faults of asflown itself: the traceback goes into a file, the user gets one sentence."""

from __future__ import annotations

import errno
import re
import sys
import traceback
from pathlib import Path

import asflown

_NO_ROOM = re.compile(
    "failed to map segment|cannot map zero-fill|cannot allocate|cannot create shared object", re.IGNORECASE
)
"""How the dynamic loader of glibc tells that it has no memory for a library."""
FAULT_LOG = Path(".asflown") / "fault.log"
"""Below the folder that the command runs in; each fault is added at its end."""


def out_of_memory(error: BaseException) -> bool:
    """Whether it says, or comes of what says, that there was no memory; the system's loader raises an ImportError."""
    behind = error.__cause__ or error.__context__
    if behind is not None and out_of_memory(behind):
        return True
    if isinstance(error, OSError):
        return error.errno == errno.ENOMEM
    return isinstance(error, MemoryError) or (
        isinstance(error, ImportError) and bool(_NO_ROOM.search(str(error)))
    )


def keep_traceback(error: BaseException) -> tuple[str, str]:
    """Writes the traceback where it can be sent from; returns what is wrong and what to do.

    Where the file cannot be written, the traceback is part of the remedy: it must not get lost.
    """
    details = "".join(traceback.format_exception(error))
    problem = f"a fault of asflown itself ({type(error).__name__}: {error})"
    try:
        FAULT_LOG.parent.mkdir(parents=True, exist_ok=True)
        with FAULT_LOG.open("a", encoding="utf-8") as log:
            log.write(f"asflown {asflown.__version__}: {' '.join(sys.argv)}\n{details}\n")
    except OSError:
        return problem, f"Please report it with these lines:\n{details}"
    return problem, f"Please report it with {FAULT_LOG.resolve()}"

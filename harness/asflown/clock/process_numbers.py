"""Which process a held process means: one in a sandbox counts its processes anew, and knows nothing of our numbers.

The system tells who speaks on a connection, in our numbers. A number that a process names itself is looked up among
those of its own kind; where it is not walled in, it is ours.
"""

from __future__ import annotations

import contextlib
import os
import socket
import struct
from pathlib import Path

_CREDENTIALS = struct.Struct("3i")
_PROC = Path("/proc")
_FARTHEST = 4
"""Generations between a process that was started and the one inside the walls that its starter put round it."""


def speaker(connection: socket.socket) -> int:
    """The number of the process at the other end."""
    told = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    number: int = _CREDENTIALS.unpack(told)[0]
    return number


def ours(number: int, named_by: int) -> int:
    """Our number of a process that `named_by` (in our numbers) calls `number`. Raises ProcessLookupError."""
    space = _space(named_by)
    if space == _space(os.getpid()):
        return number
    for entry in _PROC.iterdir():
        if entry.name.isdigit() and _space(int(entry.name)) == space and _inner(entry) == number:
            return int(entry.name)
    raise ProcessLookupError(number)


def started_as(number: int, known: set[int]) -> int:
    """The process of `known` that is `number` or its nearest forebear; `number` itself where none is."""
    seen = number
    for _ in range(_FARTHEST):
        if seen in known:
            return seen
        seen = _parent(seen)
    return number


def _space(number: int) -> str:
    with contextlib.suppress(OSError):
        return str((_PROC / str(number) / "ns" / "pid").readlink())
    return ""


def _inner(entry: Path) -> int:
    return int(_line(entry, "NSpid:").split()[-1:][0]) if _line(entry, "NSpid:") else 0


def _parent(number: int) -> int:
    return int(_line(_PROC / str(number), "PPid:") or 0)


def _line(entry: Path, name: str) -> str:
    with contextlib.suppress(OSError):
        for line in (entry / "status").read_text(encoding="ascii", errors="replace").splitlines():
            if line.startswith(name):
                return line.removeprefix(name).strip()
    return ""

"""What cannot be held yet: each call here makes the flight run paced, and names itself as the reason."""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any, Callable

from .held import Held

EVENTS = {
    "os.forkpty": "os.forkpty",
    "os.exec": "os.exec",
    "os.system": "os.system",
    "pty.spawn": "pty.spawn",
}
"""Audit events, and what the user reads."""
DEVICES_OF_CHANCE = frozenset(("/dev/random", "/dev/urandom", "/dev/hwrng"))
NATIVE_TIME = frozenset(
    (
        *("clock_gettime", "gettimeofday", "time", "nanosleep", "clock_nanosleep", "usleep", "sleep"),
        *("select", "pselect", "poll", "ppoll", "epoll_wait"),
    )
)
"""Names in the C library that would reach the wall clock past this interpreter."""


def hold(held: Held) -> None:
    """Watches for calls that cannot be held."""

    def audit(event: str, args: Any) -> None:
        if event in EVENTS:
            held.leave(EVENTS[event])
        elif event == "ctypes.dlsym" and args[1] in NATIVE_TIME:
            held.leave(f"ctypes access to {args[1]}")
        elif event == "open" and args[0] in DEVICES_OF_CHANCE:
            held.leave(f"reading {args[0]}")
        elif event == "open" and not held.opening_serial and _leads_to_hub(held, args[0]):
            held.leave("open() of the serial port (os.open, as serial libraries use it, is held)")

    sys.addaudithook(audit)


def _refuse_uvloop(held: Held, _module: ModuleType) -> None:
    held.leave("uvloop, an event loop below Python (asyncio's own is held)")


LATE: dict[str, Callable[[Held, ModuleType], None]] = {"uvloop": _refuse_uvloop}


def _leads_to_hub(held: Held, path: Any) -> bool:
    return isinstance(path, str) and held.port_for_path(path) is not None

"""What cannot be held yet: each call here makes the flight run paced, and names itself as the reason."""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any, Callable

from .held import Held

EVENTS = {
    "os.fork": "os.fork",
    "os.forkpty": "os.forkpty",
    "os.posix_spawn": "os.posix_spawn",
    "os.exec": "os.exec",
    "os.system": "os.system",
    "subprocess.Popen": "subprocess.Popen",
    "pty.spawn": "pty.spawn",
}
"""Audit events, and what the user reads."""
NATIVE_TIME = frozenset(
    (
        *("clock_gettime", "gettimeofday", "time", "nanosleep", "clock_nanosleep", "usleep", "sleep"),
        *("select", "pselect", "poll", "ppoll", "epoll_wait"),
    )
)
"""Names in the C library that would reach the wall clock past this interpreter."""
SIGNAL_WAITS = ("alarm", "setitimer", "pause", "sigwait", "sigwaitinfo", "sigtimedwait")


def hold(held: Held) -> None:
    """Watches for calls that cannot be held."""

    def audit(event: str, args: Any) -> None:
        if event in EVENTS:
            held.leave(EVENTS[event])
        elif event == "ctypes.dlsym" and args[1] in NATIVE_TIME:
            held.leave(f"ctypes access to {args[1]}")
        elif event == "open" and not held.opening_serial and _leads_to_hub(held, args[0]):
            held.leave("open() of the serial port (os.open, as serial libraries use it, is held)")

    sys.addaudithook(audit)


def _leads_to_hub(held: Held, path: Any) -> bool:
    return isinstance(path, str) and held.port_for_path(path) is not None


def _hold_signal(held: Held, module: ModuleType) -> None:
    for name in SIGNAL_WAITS:
        if hasattr(module, name):
            setattr(module, name, _refused(held, f"signal.{name}"))


def _refused(held: Held, call: str) -> Callable[..., Any]:
    def refuse(*args: Any, **kwargs: Any) -> Any:
        return held.leave(call)

    return refuse


LATE: dict[str, Callable[[Held, ModuleType], None]] = {"signal": _hold_signal}

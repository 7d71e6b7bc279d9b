"""Waiting for a descriptor that leads to another process of the flight, or to another thread of this one.

Whoever waits here looks again after anybody else did something, so that nothing needs counting; what can only be
moved from outside the flight (a device, a named pipe, a terminal) cannot be held.
"""

from __future__ import annotations

import os
import select
import stat

from .held import Held
from .protocol import NEVER_US

_real_poll = select.poll
HARMLESS_DEVICES = ("/dev/null", "/dev/zero", "/dev/full")


def wait_ready(held: Held, descriptor: int, mask: int, call: str) -> None:
    """Waits in virtual time until a descriptor can be read (or written) without blocking."""
    poll = _real_poll()
    poll.register(descriptor, mask)
    if not held.aside and not poll.poll(0):
        if not is_inside(descriptor):
            held.leave(f"{call} on {name_of(descriptor)}, which something outside of the flight moves")
        held.strands.wait((), NEVER_US, lambda: poll.poll(0))


def is_ready(descriptor: int, mask: int) -> bool:
    """Whether a descriptor can be read (or written) now without blocking."""
    poll = _real_poll()
    poll.register(descriptor, mask)
    return bool(poll.poll(0))


def is_inside(descriptor: int) -> bool:
    """Whether only processes of the flight can be at the other end: unnamed pipes and sockets."""
    mode = os.fstat(descriptor).st_mode
    if stat.S_ISFIFO(mode):
        return name_of(descriptor).startswith("pipe:")
    return not stat.S_ISCHR(mode) or name_of(descriptor) in HARMLESS_DEVICES


def name_of(descriptor: int) -> str:
    """What the system calls an open descriptor."""
    try:
        return os.readlink(f"/proc/self/fd/{descriptor}")
    except OSError:
        return f"descriptor {descriptor}"

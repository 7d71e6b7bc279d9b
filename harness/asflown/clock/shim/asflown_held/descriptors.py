"""Descriptors used through `os`: serial ports that lead to the hub (as serial libraries use them), and pipes."""

from __future__ import annotations

import errno
import os
import select
from typing import Any

from .foreign import wait_ready
from .held import Held, as_builtin

_real_poll = select.poll


def hold(held: Held) -> None:
    """Replaces functions of `os`; other descriptors pass straight through."""
    real_open, real_read, real_write, real_close = os.open, os.read, os.write, os.close

    def held_open(path: Any, *args: Any, **kwargs: Any) -> int:
        held.opening_serial = True
        try:
            descriptor = real_open(path, *args, **kwargs)
        finally:
            held.opening_serial = False
        port = held.port_for_path(os.fsdecode(path)) if isinstance(path, (str, bytes)) else None
        if port is not None:
            held.open_channel(descriptor, port)
        return descriptor

    def held_read(descriptor: int, size: int) -> bytes:
        channel = held.channels.get(descriptor)
        if channel is None:
            if os.get_blocking(descriptor):
                wait_ready(held, descriptor, select.POLLIN, "os.read")
            return real_read(descriptor, size)
        while not held.available(channel):
            if not os.get_blocking(descriptor):
                held.charge_empty_look()
                raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")
            held.strands.wait((channel,), (1 << 62) - 1)
        poll = _real_poll()
        poll.register(descriptor, select.POLLIN)
        poll.poll()
        data = real_read(descriptor, size)
        channel.read += len(data)
        return data

    def held_write(descriptor: int, data: Any) -> int:
        channel = held.channels.get(descriptor)
        if channel is None:
            if os.get_blocking(descriptor):
                wait_ready(held, descriptor, select.POLLOUT, "os.write")
            return real_write(descriptor, data)
        sent = real_write(descriptor, memoryview(data)[:2048])  # a pseudo-terminal holds 4 KiB
        held.count_sent(channel, sent)
        held.sync()
        return sent

    def held_close(descriptor: int) -> None:
        held.close_channel(descriptor)
        real_close(descriptor)

    for name, function in (
        ("open", held_open),
        ("read", held_read),
        ("write", held_write),
        ("close", held_close),
    ):
        held.replacements.put(os, name, as_builtin(function, name))

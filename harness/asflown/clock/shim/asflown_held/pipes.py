"""Files over pipes: reading and writing them from Python's own buffers waits in virtual time.

`open` of a descriptor that is a pipe gives a file whose raw part is held; so are the standard streams of a process
whose parent reads or feeds them.
"""

from __future__ import annotations

import builtins
import io
import os
import select
import stat
import sys
from typing import Any

from .foreign import wait_ready
from .held import Held

WRITE_BYTES_MAX = 4096
"""PIPE_BUF: so much fits whenever a pipe is ready to be written."""


def hold(held: Held) -> None:
    """Replaces `open` for descriptors that are pipes, and standard streams that are."""
    raw_class = _raw_class(held, os.read, os.write)
    real_open = io.open

    def held_open(file: Any, mode: str = "r", buffering: int = -1, *args: Any, **kwargs: Any) -> Any:
        if not isinstance(file, int) or not _is_pipe(file):
            return real_open(file, mode, buffering, *args, **kwargs)
        return _wrapped(raw_class, file, mode, buffering, args, kwargs)

    builtins.open = io.open = held_open
    for name, descriptor, mode in (("stdin", 0, "r"), ("stdout", 1, "w"), ("stderr", 2, "w")):
        stream = getattr(sys, name)
        if stream is not None and _is_pipe(descriptor):
            arguments = {
                "encoding": stream.encoding,
                "errors": stream.errors,
                "line_buffering": stream.line_buffering,
                "write_through": stream.write_through,
            }
            raw = raw_class(descriptor, mode, closefd=False)
            buffer = io.BufferedReader(raw) if mode == "r" else io.BufferedWriter(raw)
            setattr(sys, name, io.TextIOWrapper(buffer, **arguments))


def _is_pipe(descriptor: int) -> bool:
    try:
        return stat.S_ISFIFO(os.fstat(descriptor).st_mode)
    except OSError:
        return False


def _wrapped(raw_class: Any, file: int, mode: str, buffering: int, args: Any, kwargs: Any) -> Any:
    """A file like `open` makes, over a held raw one."""
    names = ("encoding", "errors", "newline", "closefd", "opener")
    options = {**dict(zip(names, args)), **kwargs}
    raw = raw_class(file, mode, closefd=options.get("closefd", True))
    binary = "b" in mode
    if buffering == 0 and binary:
        return raw
    buffer_class = io.BufferedReader if "r" in mode else io.BufferedWriter
    buffer = buffer_class(raw, buffering if buffering > 1 else io.DEFAULT_BUFFER_SIZE)
    if binary:
        return buffer
    text: dict[str, Any] = {name: options.get(name) for name in ("encoding", "errors", "newline")}
    wrapper: Any = io.TextIOWrapper(buffer, line_buffering=buffering == 1, **text)
    wrapper.mode = mode
    return wrapper


def _raw_class(held: Held, read: Any, write: Any) -> Any:
    class HeldPipe(io.RawIOBase):
        def __init__(self, descriptor: int, mode: str, *, closefd: bool) -> None:
            self._descriptor, self._closefd = descriptor, closefd
            self.mode = mode if "b" in mode else mode + "b"
            self.name = descriptor

        def fileno(self) -> int:
            return self._descriptor

        def readable(self) -> bool:
            return "r" in self.mode or "+" in self.mode

        def writable(self) -> bool:
            return not self.readable() or "+" in self.mode

        def readinto(self, buffer: Any) -> int | None:
            try:
                data = read(self._descriptor, len(buffer))
            except BlockingIOError:
                return None
            buffer[: len(data)] = data
            return len(data)

        def write(self, data: Any) -> int | None:
            if os.get_blocking(self._descriptor):
                wait_ready(held, self._descriptor, select.POLLOUT, "write")
            try:
                return int(write(self._descriptor, memoryview(data)[:WRITE_BYTES_MAX]))
            except BlockingIOError:
                return None

        def close(self) -> None:
            if not self.closed:
                super().close()
                if self._closefd:
                    os.close(self._descriptor)

    return HeldPipe

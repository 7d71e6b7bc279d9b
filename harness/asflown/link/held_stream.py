"""TCP and serial ports of a script in lockstep: byte streams, counted both ways."""

from __future__ import annotations

import os
import pty
import select
import socket
import termios
import tty
from abc import abstractmethod
from contextlib import suppress
from pathlib import Path
from typing import Any

from asflown.errors import HarnessFault, LinkProblem
from asflown.link.modelled import COLLECT_TIMEOUT_S, LOOPBACK, ModelledPort, Splitter, port_taken

PTY_AT_ONCE_BYTES = 2_048
"""Half of what a pseudo-terminal holds."""
TCP_AT_ONCE_BYTES = 65_536


class _HeldStream(ModelledPort):
    """A byte stream over one file descriptor of the hub."""

    at_once_bytes = TCP_AT_ONCE_BYTES

    def __init__(self, splitter: Splitter) -> None:
        super().__init__(splitter)
        self._rest = b""

    def collect(self, sent: int) -> None:
        """Takes in bytes until the total is `sent`."""
        while self._sent < sent:
            descriptor = self._descriptor()
            if not select.select([descriptor], [], [], COLLECT_TIMEOUT_S)[0]:
                raise HarnessFault(f"the script counted {sent} bytes, {self._sent} arrived")
            data = os.read(descriptor, min(65_536, sent - self._sent))
            if not data:
                raise HarnessFault(f"the stream ended after {self._sent} of {sent} bytes")
            self._sent += len(data)
            self._take(data)

    def collect_rest(self) -> None:
        """Takes in what still lies in the stream."""
        with suppress(OSError):  # the other side of a pseudo-terminal or connection may be gone already
            while select.select([self._descriptor()], [], [], 0)[0]:
                data = os.read(self._descriptor(), 65_536)
                if not data:
                    return
                self._take(data)

    def hand_over(self) -> tuple[int, bool]:
        """Writes what fits into the stream; a frame may be handed over in two parts."""
        room = self.at_once_bytes - (self._delivered - self._read)
        while room > 0 and (self._rest or self._queue):
            if not self._rest:
                self._rest = self._queue.popleft()
                self._queued_cost -= len(self._rest)
                self._count_out(self._rest)
            part, self._rest = self._rest[:room], self._rest[room:]
            with suppress(BrokenPipeError, ConnectionResetError):
                os.write(self._descriptor(), part)
            self._delivered += len(part)
            room -= len(part)
        return self._delivered, bool(self._rest or self._queue)

    def has_news(self) -> bool:
        """Whether the script would find something to read."""
        return bool(self._rest) or super().has_news()

    def _forget(self) -> None:
        super()._forget()
        self._rest = b""

    @abstractmethod
    def _descriptor(self) -> int:
        """The hub's end of the stream."""


class HeldTcpPort(_HeldStream):
    """A TCP port that the script dials; one connection at a time."""

    def __init__(self, splitter: Splitter, *, port: int, script_port: int | None = None) -> None:
        super().__init__(splitter)
        self.port = port
        self._script_port = port if script_port is None else script_port
        self._listener: socket.socket | None = None
        self._connection: socket.socket | None = None

    def open(self) -> None:
        """Listens. Raises LinkProblem when the port is taken."""
        if self._listener is not None:
            return
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._listener.settimeout(COLLECT_TIMEOUT_S)
        try:
            self._listener.bind((LOOPBACK, self.port))
        except OSError as error:
            self.close()
            raise port_taken("TCP", self.port) from error
        self._listener.listen(4)

    def facts(self) -> dict[str, Any]:
        """How the shim recognises it."""
        return {
            "kind": "tcp",
            "role": "dial",
            "port": self._script_port,
            "real_port": self.port,
            "hub_port": self.port,
        }

    def opened(self) -> None:
        """The script's connect went through: the connection is there to be accepted."""
        super().opened()
        assert self._listener is not None
        if self._connection is not None:
            self._connection.close()
        self._connection, _ = self._listener.accept()
        self._connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def closed(self) -> None:
        """The script closed its connection."""
        super().closed()
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def close(self) -> None:
        """Closes the hub's side."""
        self.closed()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _descriptor(self) -> int:
        assert self._connection is not None
        return self._connection.fileno()


class HeldPtyPort(_HeldStream):
    """A serial port, as a pseudo-terminal whose path the script opens."""

    at_once_bytes = PTY_AT_ONCE_BYTES

    def __init__(self, splitter: Splitter, *, path: Path) -> None:
        super().__init__(splitter)
        self.path = path
        self._ours = self._theirs = -1

    def open(self) -> None:
        """Creates the pseudo-terminal and a link to it at `path`. Raises LinkProblem."""
        if self._ours >= 0:
            return
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs, termios.TCSANOW)
        try:
            self.path.symlink_to(os.ttyname(self._theirs))
        except OSError as error:
            raise LinkProblem(
                f"cannot create {self.path}: {error.strerror}", "Choose another path"
            ) from error

    def facts(self) -> dict[str, Any]:
        """How the shim recognises it."""
        return {"kind": "serial", "role": "open", "path": str(self.path), "device": os.ttyname(self._theirs)}

    def close(self) -> None:
        """Closes both sides and removes the link."""
        for descriptor in (self._ours, self._theirs):
            if descriptor >= 0:
                os.close(descriptor)
        if self._ours >= 0:
            self.path.unlink(missing_ok=True)
        self._ours = self._theirs = -1

    def _descriptor(self) -> int:
        return self._ours

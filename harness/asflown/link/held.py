"""The script's port in lockstep: real sockets, with the receive queue kept and counted on our side.

A kernel's socket drops silently after a few hundred small datagrams, and a sleeping script fills it in seconds of
flight. So the queue is modelled here (capacity in bytes, deterministic tail drop, counted), and the real socket
gets only what the script is about to read. Fulfils `link.base.Endpoint` for the hub and `clock.broker.HeldPort`.
"""

from __future__ import annotations

import os
import pty
import select
import socket
import termios
import tty
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

from asflown.errors import HarnessFault, LinkProblem

LOOPBACK = "127.0.0.1"
RECEIVE_QUEUE_BYTES = 212_992
"""Linux's default receive buffer of a socket (net.core.rmem_default)."""
SMALL_DATAGRAM_BYTES, SMALL_COST_BYTES, LARGE_COST_BYTES = 197, 832, 1280
"""What Linux 6.x charges a queued loopback datagram (measured; other kernels charge a little differently)."""
AT_ONCE_DATAGRAMS = 64
"""How many datagrams lie in the real socket at most: far below what any kernel drops."""
STREAM_QUEUE_BYTES = 65_536
PTY_AT_ONCE_BYTES = 2_048
TCP_AT_ONCE_BYTES = 65_536
COLLECT_TIMEOUT_S = 10.0


class Splitter(Protocol):
    """Cuts what the script sent into whole frames (`link.wire.FrameReader`)."""

    def feed(self, data: bytes) -> list[bytes]:
        """The frames that `data` completes."""


def datagram_cost(size_bytes: int) -> int:
    """What a queued datagram takes of the receive queue, bytes."""
    return SMALL_COST_BYTES if size_bytes <= SMALL_DATAGRAM_BYTES else LARGE_COST_BYTES


class ModelledPort(ABC):
    """What UDP, TCP and serial ports of a held script have in common."""

    def __init__(self, splitter: Splitter) -> None:
        self.name = "script"
        self.on_frame: Callable[[bytes], None] = lambda frame: None
        self.on_news: Callable[[ModelledPort], None] = lambda port: None
        """The broker's `notice`."""
        self._splitter = splitter
        self._is_open = False
        self._queue: deque[bytes] = deque()
        self._queued_cost = 0
        self._delivered = self._read = self._sent = 0
        self._counts = dict.fromkeys(
            ("frames_in", "frames_out", "bytes_in", "bytes_out", "frames_dropped", "frames_unheard"), 0
        )

    @abstractmethod
    def open(self) -> None:
        """Opens the hub's side; harmless when repeated. Raises LinkProblem."""

    @abstractmethod
    def close(self) -> None:
        """Closes the hub's side; harmless when repeated."""

    @abstractmethod
    def facts(self) -> dict[str, Any]:
        """How the shim recognises it."""

    @abstractmethod
    def collect(self, sent: int) -> None:
        """Takes in what the script sent, until the total is `sent`."""

    @abstractmethod
    def collect_rest(self) -> None:
        """Takes in what still lies in the real socket of a script that is gone."""

    @abstractmethod
    def hand_over(self) -> tuple[int, bool]:
        """Puts what fits into the real socket: the total delivered, and whether more is held back."""

    def send(self, frame: bytes) -> None:
        """Queues a frame for the script, or drops and counts it when the queue is full or nobody listens yet."""
        if not self._is_open:
            self._counts["frames_unheard"] += 1
            return
        cost = self._cost(frame)
        if self._occupied() + cost > self._capacity():
            self._counts["frames_dropped"] += 1
            return
        self._queue.append(frame)
        self._queued_cost += cost
        self.on_news(self)

    def opened(self) -> None:
        """The script is there; counts start at zero."""
        self._is_open = True
        self._delivered = self._read = self._sent = 0
        self._forget()

    def closed(self) -> None:
        """The script let go: what it did not read is gone."""
        self._is_open = False
        self._forget()

    def has_news(self) -> bool:
        """Whether the script would find something to read."""
        return bool(self._queue) or self._delivered > self._read

    def counters(self) -> dict[str, int]:
        """Frames and bytes each way, and what was dropped or unheard."""
        return dict(self._counts)

    def _take(self, data: bytes) -> None:
        self._counts["bytes_in"] += len(data)
        for frame in self._splitter.feed(data):
            self._counts["frames_in"] += 1
            self.on_frame(frame)

    def _count_out(self, frame: bytes) -> None:
        self._counts["frames_out"] += 1
        self._counts["bytes_out"] += len(frame)

    def _forget(self) -> None:
        self._queue.clear()
        self._queued_cost = 0

    def _cost(self, frame: bytes) -> int:
        return len(frame)

    def _capacity(self) -> int:
        return STREAM_QUEUE_BYTES

    def _occupied(self) -> int:
        return self._queued_cost + self._delivered - self._read

    def has_read(self, read: int) -> None:
        """The script has read so much in total."""
        self._read = read


class HeldUdpPort(ModelledPort):
    """A UDP port: `script_listens`, and the hub sends there; or the script dials the hub's port."""

    def __init__(
        self,
        splitter: Splitter,
        *,
        script_listens: bool,
        port: int,
        hub_port: int = 0,
        script_port: int | None = None,
    ) -> None:
        """`hub_port` is what the hub sends from where the script listens; 0 lets the system choose.

        `script_port` is the port that the script itself names, where that is a fixed one of its own.
        """
        super().__init__(splitter)
        self._script_listens, self.port = script_listens, port
        self._script_port = port if script_port is None else script_port
        self._own_port = hub_port if script_listens else port
        self._peer: tuple[str, int] | None = None
        self._socket: socket.socket | None = None
        self._unread_costs: deque[int] = deque()
        self._unread_cost = 0

    def open(self) -> None:
        """Opens the hub's side. Raises LinkProblem when its port is taken."""
        if self._socket is not None:
            return
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
        self._socket.settimeout(COLLECT_TIMEOUT_S)
        if self._script_listens:
            self._peer = (LOOPBACK, self.port)
        try:
            self._socket.bind((LOOPBACK, self._own_port))
        except OSError as error:
            self.close()
            raise port_taken("UDP", self._own_port) from error
        self._own_port = self._socket.getsockname()[1]

    def facts(self) -> dict[str, Any]:
        """How the shim recognises it."""
        role = "bind" if self._script_listens else "dial"
        return {
            "kind": "udp",
            "role": role,
            "port": self._script_port,
            "real_port": self.port,
            "hub_port": self._own_port,
        }

    def collect(self, sent: int) -> None:
        """Takes in datagrams until the total is `sent`."""
        assert self._socket is not None
        while self._sent < sent:
            try:
                data, peer = self._socket.recvfrom(65_536)
            except TimeoutError as error:
                raise HarnessFault(f"the script counted {sent} datagrams, {self._sent} arrived") from error
            if not self._script_listens:
                self._peer = peer
            self._sent += 1
            self._take(data)

    def collect_rest(self) -> None:
        """Takes in what still lies in the socket."""
        assert self._socket is not None
        self._socket.setblocking(False)
        with suppress(BlockingIOError):
            while True:
                self._take(self._socket.recvfrom(65_536)[0])
        self._socket.settimeout(COLLECT_TIMEOUT_S)

    def hand_over(self) -> tuple[int, bool]:
        """Sends what fits to the script's socket."""
        assert self._socket is not None
        while self._queue and self._peer is not None and self._delivered - self._read < AT_ONCE_DATAGRAMS:
            frame = self._queue.popleft()
            cost = datagram_cost(len(frame))
            self._queued_cost -= cost
            self._unread_costs.append(cost)
            self._unread_cost += cost
            self._socket.sendto(frame, self._peer)
            self._delivered += 1
            self._count_out(frame)
        return self._delivered, bool(self._queue) and self._peer is not None

    def send(self, frame: bytes) -> None:
        """As `ModelledPort.send`; a script that dials hears nothing before it has spoken."""
        if self._peer is None:
            self._counts["frames_unheard"] += 1
            return
        super().send(frame)

    def has_read(self, read: int) -> None:
        """The script has read so many datagrams."""
        for _ in range(read - self._read):
            self._unread_cost -= self._unread_costs.popleft()
        self._read = read

    def close(self) -> None:
        """Closes the hub's side."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _forget(self) -> None:
        super()._forget()
        self._unread_costs.clear()
        self._unread_cost = 0

    def _cost(self, frame: bytes) -> int:
        return datagram_cost(len(frame))

    def _capacity(self) -> int:
        return RECEIVE_QUEUE_BYTES

    def _occupied(self) -> int:
        return self._queued_cost + self._unread_cost


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


def port_taken(transport: str, port: int) -> LinkProblem:
    """The error for a port that another program holds."""
    return LinkProblem(
        f"{transport} port {port} on {LOOPBACK} is in use by another program",
        "End that program, or give the scenario another port",
    )

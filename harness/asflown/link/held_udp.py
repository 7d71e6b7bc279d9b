"""A UDP port of a script in lockstep, with the receive queue that its socket would have in wall time."""

from __future__ import annotations

import socket
from collections import deque
from contextlib import suppress
from typing import Any

from asflown.errors import HarnessFault
from asflown.link.modelled import COLLECT_TIMEOUT_S, LOOPBACK, ModelledPort, Splitter, port_taken

RECEIVE_QUEUE_BYTES = 212_992
"""Linux's default receive buffer of a socket (net.core.rmem_default)."""
SMALL_DATAGRAM_BYTES, SMALL_COST_BYTES, LARGE_COST_BYTES = 197, 832, 1280
"""What Linux 6.x charges a queued loopback datagram (measured; other kernels charge a little differently)."""
AT_ONCE_DATAGRAMS = 64
"""How many datagrams lie in the real socket at most: far below what any kernel drops."""


def datagram_cost(size_bytes: int) -> int:
    """What a queued datagram takes of the receive queue, bytes."""
    return SMALL_COST_BYTES if size_bytes <= SMALL_DATAGRAM_BYTES else LARGE_COST_BYTES


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

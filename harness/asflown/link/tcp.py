"""MAVLink over TCP: to a server, again and again when the connection breaks, or as a server of several clients.

Frames for a client that does not keep up wait in a bounded box of its own; nobody waits for it.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from contextlib import suppress

from asflown.clock.base import Clock, Timer
from asflown.link.addresses import Address, bind, bound_port, resolve
from asflown.link.backoff import Backoff
from asflown.link.counted import GatheringEndpoint, Peer
from asflown.link.stream import Stream, StreamEndpoint, WriteWatch
from asflown.url import Url

CLIENTS_AT_MOST = 16


class TcpEndpoint(StreamEndpoint):
    """A client. A server that is not there yet, or gone, is tried again with growing pauses; frames meanwhile drop."""

    def __init__(self, url: Url, clock: Clock, name: str) -> None:
        """`url` is of kind tcp. Nothing is opened yet."""
        super().__init__(name, clock)
        self._url = url
        self._backoff = Backoff()
        self._address: tuple[socket.AddressFamily, Address] | None = None
        self._socket: socket.socket | None = None
        self._connecting: WriteWatch | None = None
        self._again: Timer | None = None

    def open(self) -> None:
        """Begins to connect. Raises LinkProblem when the host is not known."""
        self._address = resolve(self._url, socket.SOCK_STREAM)
        self._connect()

    def close(self) -> None:
        """Closes the connection and tries no more."""
        self._address = None
        self._disconnect()
        if self._again is not None:
            self._again.cancel()
            self._again = None

    def _connect(self) -> None:
        self._again = None
        if self._address is None:
            return
        family, address = self._address
        try:
            self._socket = socket.socket(family, socket.SOCK_STREAM)
            self._socket.setblocking(False)
            with suppress(BlockingIOError):
                self._socket.connect(address)
            self._connecting = WriteWatch(self._clock, self._socket.fileno(), self._connected)
        except OSError:
            self._lost()

    def _connected(self) -> None:
        """The attempt has ended, one way or the other."""
        assert self._socket is not None
        assert self._connecting is not None
        self._connecting.close()
        self._connecting = None
        if self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) or _is_own_echo(self._socket):
            self._lost()
            return
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._backoff.succeeded()
        self._begin_stream(self._socket.fileno(), self._lost)

    def _lost(self) -> None:
        self._disconnect()
        if self._address is not None:
            self._again = self._clock.call_at(self._clock.now_us() + self._backoff.next_us(), self._connect)

    def _disconnect(self) -> None:
        if self._connecting is not None:
            self._connecting.close()
            self._connecting = None
        self._end_stream()
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _is_own_echo(connected: socket.socket) -> bool:
    """Whether the system connected a socket to itself, as it can when nobody listens on a port it also hands out."""
    return bool(connected.getsockname() == connected.getpeername())


class TcpPeer(Peer):
    """A client of ours."""

    def __init__(self, clock: Clock, client: socket.socket, name: str, on_lost: Callable[[], None]) -> None:
        """`client` is connected; `on_lost` is called when it is gone."""
        super().__init__(name)
        self._socket = client
        self._stream = Stream(clock, client.fileno(), self._counters, self._hand_on, on_lost)

    def send(self, frame: bytes) -> None:
        """Sends the frame, or keeps it for later."""
        self._stream.send(frame)

    def close(self) -> None:
        """Closes the connection."""
        self._stream.close()
        self._socket.close()

    def _hand_on(self, frame: bytes) -> None:
        self.on_frame(frame)


class TcpListenEndpoint(GatheringEndpoint):
    """A server: every client gets what is sent, and what any of them sends is heard."""

    def __init__(self, url: Url, clock: Clock, name: str) -> None:
        """`url` is of kind tcp-listen. Nothing is opened yet."""
        super().__init__(name)
        self.port = url.port
        """The port that is open; the system's choice when the URL had 0."""
        self._url, self._clock = url, clock
        self._socket: socket.socket | None = None
        self._clients: dict[int, TcpPeer] = {}

    def open(self) -> None:
        """Opens the port. Raises LinkProblem when it is in use."""
        self._socket = bind(self._url, socket.SOCK_STREAM)
        self.port = bound_port(self._socket)
        self._clock.watch(self._socket.fileno(), self._accept)

    def peers(self) -> list[Peer]:
        """Every client."""
        return list(self._clients.values())

    def close(self) -> None:
        """Closes the port and every connection."""
        if self._socket is not None:
            self._clock.unwatch(self._socket.fileno())
            self._socket.close()
            self._socket = None
        for key in list(self._clients):
            self._lose(key)

    def _accept(self) -> None:
        assert self._socket is not None
        with suppress(
            OSError
        ):  # the client is gone again, or we have no descriptors left: it will try once more
            client, address = self._socket.accept()
            if len(self._clients) >= CLIENTS_AT_MOST:
                client.close()
                return
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._welcome(client, address)

    def _welcome(self, client: socket.socket, address: Address) -> None:
        key = client.fileno()
        name = f"{self.name} {address[0]}:{address[1]}"
        peer = self._clients[key] = TcpPeer(self._clock, client, name, lambda: self._lose(key))
        self._arrive(peer)

    def _lose(self, key: int) -> None:
        peer = self._clients.pop(key)
        peer.close()
        self._depart(peer)

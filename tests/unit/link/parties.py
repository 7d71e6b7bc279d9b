"""Real sockets and ports for the tests to talk to endpoints with."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

from asflown.link.base import Endpoint


def open_noting(endpoint: Endpoint) -> list[bytes]:
    """Opens an endpoint; the list fills with what it hears."""
    heard: list[bytes] = []
    endpoint.on_frame = heard.append
    endpoint.open()
    return heard


def udp_socket(port: int = 0) -> socket.socket:
    """A plain UDP socket on loopback, which gives up after a while."""
    opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    opened.bind(("127.0.0.1", port))
    opened.settimeout(10)
    return opened


def port_of(opened: socket.socket) -> int:
    """The port a socket is bound to."""
    port = opened.getsockname()[1]
    assert isinstance(port, int)
    return port


def receive_exactly(opened: socket.socket, size: int) -> bytes:
    """The next `size` bytes of a stream."""
    data = b""
    while len(data) < size:
        piece = opened.recv(size - len(data))
        assert piece, "the other side closed"
        data += piece
    return data


def heard_so_many(heard: list[bytes], count: int) -> Callable[[], bool]:
    """Whether that many frames have been heard, for `HandClock.pump`."""
    return lambda: len(heard) == count


def connected_so_often(endpoint: Endpoint, count: int) -> Callable[[], bool]:
    """Whether an endpoint has been connected that often, for `HandClock.pump`."""
    return lambda: endpoint.counters()["connections"] == count


def open_descriptors() -> int:
    """How many file descriptors this process has open."""
    return len(list(Path("/proc/self/fd").iterdir()))

"""From the host of a URL to a socket address. A name is looked up once, when its endpoint opens."""

from __future__ import annotations

import socket
from typing import Any

from asflown.link import problems
from asflown.url import Url

Address = tuple[Any, ...]
"""As the socket module has it: (host, port) for IPv4, with two more numbers for IPv6."""


RECEIVE_BUFFER_BYTES = 4 << 20
"""What is asked for; Linux grants no more than net.core.rmem_max."""


def resolve(url: Url, kind: socket.SocketKind) -> tuple[socket.AddressFamily, Address]:
    """Family and address of `url`; IPv4 where a name has both. Raises LinkProblem when the host is not known."""
    try:
        found = socket.getaddrinfo(url.host, url.port, type=kind)
    except OSError as error:
        raise problems.cannot_open(url, error) from error
    family, _, _, _, address = min(found, key=lambda entry: entry[0] != socket.AF_INET)
    return family, address


def bind(url: Url, kind: socket.SocketKind) -> socket.socket:
    """A non-blocking socket bound to `url`, listening if it is TCP.

    UDP is bound without address reuse: a port that somebody else has is found out, not shared. TCP needs reuse for
    ports that wait after a closed connection, and refuses a second listener all the same. Raises LinkProblem.
    """
    family, address = resolve(url, kind)
    bound = socket.socket(family, kind)
    try:
        bound.setblocking(False)
        if kind == socket.SOCK_STREAM:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(address)
        if kind == socket.SOCK_STREAM:
            bound.listen()
    except OSError as error:
        bound.close()
        raise problems.cannot_open(url, error) from error
    return bound


def bound_port(bound: socket.socket) -> int:
    """The port that the system chose where the URL had 0."""
    port = bound.getsockname()[1]
    assert isinstance(port, int)
    return port


def widen(opened: socket.socket) -> None:
    """Asks for as large a receive buffer as the system grants, so that a short stall of ours loses nothing."""
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)

"""Finds out before a flight whether ports are free, and which are.

Many MAVLink programs open UDP ports with address reuse: two of them then have the same port, unnoticed, and one
starves. Binding without reuse finds that out.
"""

from __future__ import annotations

import socket
from pathlib import Path

from asflown.link import addresses
from asflown.link.pty import check_path
from asflown.link.serial_port import open_port
from asflown.url import LOOPBACK, Url, parse


def check_free(url: str | Url) -> None:
    """Raises LinkProblem when what `url` would open is taken; nothing stays open.

    A port that `udp` or `tcp` sends to is somebody else's by intention: nothing is checked.
    """
    place = url if isinstance(url, Url) else parse(url)
    if place.kind == "udp-listen":
        addresses.bind(place, socket.SOCK_DGRAM).close()
    elif place.kind == "tcp-listen":
        addresses.bind(place, socket.SOCK_STREAM).close()
    elif place.kind == "serial":
        open_port(place).close()
    elif place.kind == "pty":
        check_path(Path(place.path))


def free_udp_port(host: str = LOOPBACK) -> int:
    """A UDP port of `host` that nobody has now; somebody may take it before its user does."""
    return _free_port(Url("udp-listen", host=host), socket.SOCK_DGRAM)


def free_tcp_port(host: str = LOOPBACK) -> int:
    """A TCP port of `host` that nobody has now; somebody may take it before its user does."""
    return _free_port(Url("tcp-listen", host=host), socket.SOCK_STREAM)


def _free_port(url: Url, kind: socket.SocketKind) -> int:
    with addresses.bind(url, kind) as bound:
        return addresses.bound_port(bound)

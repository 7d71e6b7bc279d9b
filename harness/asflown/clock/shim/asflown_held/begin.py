"""Connects to the broker and puts the held functions in place."""

from __future__ import annotations

import atexit
import os
import select
import socket
import sys
from typing import Any

from . import (
    chance,
    clocks,
    descriptors,
    late,
    pipes,
    processes,
    protocol,
    refuse,
    signals,
    sockets,
    threads,
    waiting,
)
from .held import Held

# the real ones, for the talk with the broker itself, which a fork begins anew
_connect, _send, _receive = socket.socket.connect, socket.socket.send, socket.socket.recv


def begin() -> None:
    """Holds this process to the virtual clock from here on."""
    # select must be patched before anything imports selectors; socket has imported it already, so that is mended too
    try:
        connection, terms = _greet(os.environ[protocol.SOCKET_VARIABLE])
    except (OSError, ValueError):
        os._exit(1)  # the harness has gone: this interpreter would go on without it, and by wall time
    held = Held(connection, terms)
    threads.hold(held)
    clocks.hold(held)
    waiting.hold(held, select)
    sockets.hold(held)
    descriptors.hold(held)
    processes.hold(held, _greet)
    signals.hold(held)
    late.hold(
        held,
        {
            **chance.LATE,
            **clocks.LATE,
            **signals.LATE,
            **threads.LATE,
            **processes.LATE,
            **refuse.LATE,
        },
    )
    chance.hold(held)
    refuse.hold(held)
    pipes.hold(held)
    held.replacements.spread()
    atexit.register(held.bye)


def _greet(path: str) -> tuple[socket.socket, dict[str, Any]]:
    """A connection to the broker, and its terms; returns when this process may run."""
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    _connect(connection, path)
    argv = list(getattr(sys, "orig_argv", sys.argv if hasattr(sys, "argv") else []))
    facts = {"pid": os.getpid(), "python": sys.version, "argv": argv}
    _send(connection, protocol.pack_facts(protocol.HELLO, facts))
    _, terms = protocol.unpack_facts(_receive(connection, protocol.PACKET_BYTES_MAX))
    return connection, terms

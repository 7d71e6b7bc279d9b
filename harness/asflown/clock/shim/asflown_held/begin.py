"""Connects to the broker and puts the held functions in place."""

from __future__ import annotations

import atexit
import os
import select
import socket
import sys

from . import chance, clocks, descriptors, late, protocol, refuse, sockets, threads, waiting
from .held import Held


def begin() -> None:
    """Holds this process to the virtual clock from here on."""
    # select must be patched before anything imports selectors; socket has imported it already, so that is mended too
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    connection.connect(os.environ[protocol.SOCKET_VARIABLE])
    argv = list(getattr(sys, "orig_argv", sys.argv if hasattr(sys, "argv") else []))
    facts = {"pid": os.getpid(), "python": sys.version, "argv": argv}
    connection.send(protocol.pack_facts(protocol.HELLO, facts))
    _, terms = protocol.unpack_facts(connection.recv(protocol.PACKET_BYTES_MAX))
    held = Held(connection, terms)
    threads.hold(held)
    clocks.hold(held)
    waiting.hold(held, select)
    sockets.hold(held)
    descriptors.hold(held)
    late.hold(held, {**chance.LATE, **clocks.LATE, **refuse.LATE, **threads.LATE})
    chance.hold(held)
    refuse.hold(held)
    atexit.register(held.bye)

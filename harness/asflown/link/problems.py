"""The sentences that a port which cannot be used is reported with."""

from __future__ import annotations

import errno
import os
import socket

from asflown.errors import LinkProblem
from asflown.url import Url


def in_use(url: Url) -> LinkProblem:
    """Somebody else has the port."""
    return LinkProblem(
        f"port {url.port} on {url.host} is in use; another program listens there",
        "Find it, close it or choose another port",
    )


def cannot_open(url: Url, error: OSError) -> LinkProblem:
    """The system refuses; its reason is part of the sentence."""
    if error.errno == errno.EADDRINUSE:
        return in_use(url)
    if error.errno == errno.EADDRNOTAVAIL:
        return LinkProblem(
            f"{url.host} is no address of this machine ({url})", "Listen on an address that is"
        )
    if isinstance(error, socket.gaierror):
        return LinkProblem(f"host {url.host} is not known ({url})", "Check the name, or write its address")
    reason = os.strerror(error.errno) if error.errno else "no reason given"
    return LinkProblem(f"{url} cannot be opened: {reason}", "Check that it exists and that you may use it")

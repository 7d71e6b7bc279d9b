"""Output streams whose reader went away: what is written from then on goes nowhere, and nobody complains."""

from __future__ import annotations

import os
import select
from typing import IO


def discard(stream: IO[str]) -> None:
    """Leads `stream`, with what is still in its buffer, into nothing; a stream without a file stays as it is."""
    try:
        descriptor = stream.fileno()
    except OSError:
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, descriptor)
    os.close(nowhere)


def reader_is_gone(stream: IO[str]) -> bool:
    """Whether `stream` is a pipe or socket that nobody reads any more."""
    try:
        descriptor = stream.fileno()
    except OSError:
        return False
    poller = select.poll()
    poller.register(descriptor, 0)
    return bool(poller.poll(0))

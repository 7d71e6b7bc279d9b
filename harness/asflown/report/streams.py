"""Output streams whose reader went away: what is written from then on goes nowhere, and nobody complains."""

from __future__ import annotations

import os
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

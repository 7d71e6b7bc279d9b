"""What the hub fans out between: endpoints that carry whole MAVLink frames, byte for byte."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class Endpoint(Protocol):
    """One party at the hub: the vehicle, the script, a station.

    `on_frame` is set by the hub before `open`. Frames are complete, checked for start byte and length, and are
    never repacked. All calls happen on the clock's thread.
    """

    name: str
    on_frame: Callable[[bytes], None]

    def open(self) -> None:
        """Opens sockets or ports. Raises LinkProblem with what is wrong and what to do."""

    def send(self, frame: bytes) -> None:
        """Takes a frame on; drops (and counts) it when the party does not keep up. Never blocks, never raises."""

    def close(self) -> None:
        """Closes everything; harmless when called twice."""

    def counters(self) -> dict[str, int]:
        """frames_in, frames_out, bytes_in, bytes_out, frames_dropped, bytes_rubbish."""

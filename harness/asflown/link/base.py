"""What the hub fans out between: endpoints that carry whole MAVLink frames, byte for byte."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, runtime_checkable


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


@runtime_checkable
class Gathering(Endpoint, Protocol):
    """A port at which several parties may be.

    With both hooks set, each of them is an endpoint of its own: `on_arrival` is called before its first frame is
    handed on, `on_departure` when it is gone. Without them the port speaks for all, as one endpoint.
    """

    on_arrival: Callable[[Endpoint], None] | None
    on_departure: Callable[[Endpoint], None] | None

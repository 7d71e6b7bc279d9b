"""What every kind of endpoint has in common: a name, a listener, and counters of its traffic."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass

from asflown.link.wire import FrameReader


@dataclass(slots=True)
class Counters:
    """Traffic of one endpoint since it was made, over all reconnections. Bytes are payload of the transport."""

    frames_in: int = 0
    frames_out: int = 0
    """Handed to the system for sending; with several peers, counted for each."""
    bytes_in: int = 0
    """Everything received, rubbish included."""
    bytes_out: int = 0
    frames_dropped: int = 0
    """Not sent: nobody there, or the party does not keep up."""
    bytes_rubbish: int = 0
    """Received, and not part of a frame that was handed on."""
    frames_incompatible: int = 0
    """Received with an incompatibility flag that is not known here, and dropped."""
    connections: int = 0
    """How often somebody was there anew: a peer first heard, a client accepted, a device opened."""


class CountedReader:
    """A FrameReader that adds what it takes and what it skips to an endpoint's counters."""

    __slots__ = ("_counters", "_reader")

    def __init__(self, counters: Counters) -> None:
        self._reader, self._counters = FrameReader(), counters

    def feed(self, data: bytes) -> list[bytes]:
        """The frames that `data` completes."""
        frames = self._reader.feed(data)
        counters = self._counters
        counters.bytes_in += len(data)
        counters.frames_in += len(frames)
        if self._reader.bytes_rubbish:
            self._count_rubbish()
        return frames

    def end(self) -> None:
        """The connection is over: an unfinished frame is rubbish."""
        self._reader.reset()
        self._count_rubbish()

    def _count_rubbish(self) -> None:
        reader, counters = self._reader, self._counters
        counters.bytes_rubbish += reader.bytes_rubbish
        counters.frames_incompatible += reader.frames_incompatible
        reader.bytes_rubbish = reader.frames_incompatible = 0


def _ignore(_frame: bytes) -> None:
    """What happens with frames before the hub asks for them."""


class CountedEndpoint:
    """Base of the endpoints: what the hub knows them by."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.on_frame: Callable[[bytes], None] = _ignore
        self._counters = Counters()

    def counters(self) -> dict[str, int]:
        """Traffic since the endpoint was made."""
        return asdict(self._counters)

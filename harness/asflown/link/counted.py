"""What every kind of endpoint has in common: a name, a listener, and counters of its traffic."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, fields

from asflown.link.base import Endpoint
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
    frames_waiting: int = 0
    """Taken on and not sent yet: frames_out + frames_dropped + frames_waiting is all that was to be sent."""
    bytes_rubbish: int = 0
    """Received, and not part of a frame that was handed on."""
    frames_incompatible: int = 0
    """Received with an incompatibility flag that is not known here, and dropped."""
    connections: int = 0
    """How often somebody was there anew: a peer first heard, a client accepted, a device opened."""

    def add(self, other: Counters) -> None:
        """Adds what another one counted."""
        for field in fields(self):
            setattr(self, field.name, getattr(self, field.name) + getattr(other, field.name))


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


class Peer(CountedEndpoint):
    """One of several parties at a port; it comes open, and the port closes it."""

    def open(self) -> None:
        """Nothing to do: it is there."""

    def send(self, frame: bytes) -> None:
        """Sends to this party alone."""
        raise NotImplementedError

    def close(self) -> None:
        """Lets go of this party."""
        raise NotImplementedError

    @property
    def counted(self) -> Counters:
        """Its traffic, for the port's sums."""
        return self._counters


class GatheringEndpoint(CountedEndpoint):
    """Base of the ports that several parties may use at once; fulfils `Gathering`.

    The port's counters are those of all who are or were there, and of what could be given to nobody.
    """

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.on_arrival: Callable[[Endpoint], None] | None = None
        self.on_departure: Callable[[Endpoint], None] | None = None

    def peers(self) -> list[Peer]:
        """Everybody who is there, in the order of arrival."""
        raise NotImplementedError

    def send(self, frame: bytes) -> None:
        """Sends the frame to everybody, or drops it when nobody is there."""
        peers = self.peers()
        if not peers:
            self._counters.frames_dropped += 1
        for peer in peers:
            peer.send(frame)

    def counters(self) -> dict[str, int]:
        """Traffic since the endpoint was made, of all peers."""
        total = Counters()
        total.add(self._counters)
        for peer in self.peers():
            total.add(peer.counted)
        return asdict(total)

    def _arrive(self, peer: Peer) -> None:
        peer.counted.connections += 1
        if self.on_arrival is None:
            peer.on_frame = self.on_frame
        else:
            self.on_arrival(peer)

    def _depart(self, peer: Peer) -> None:
        """The peer is in `peers` no more."""
        self._counters.add(peer.counted)
        if self.on_departure is not None:
            self.on_departure(peer)

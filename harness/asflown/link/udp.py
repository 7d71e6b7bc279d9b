"""MAVLink over UDP: to one address, or from a port of our own to everybody heard there.

We send one frame in each datagram. What comes in may be cut anywhere (bridges do that), so each peer has a reader of
its own. What the system's buffer does not take is dropped and counted.
"""

from __future__ import annotations

import socket

from asflown.clock.base import Clock
from asflown.link.addresses import Address, bind, bound_port, resolve, widen
from asflown.link.counted import CountedEndpoint, CountedReader, GatheringEndpoint, Peer
from asflown.link.problems import cannot_open
from asflown.url import Url

RECEIVE_BYTES = 65_535
PEERS_AT_MOST = 16
_DATAGRAMS_AT_ONCE = 64


class UdpEndpoint(CountedEndpoint):
    """Sends to one address and hears only that one; nobody being there is no error, somebody may come."""

    def __init__(self, url: Url, clock: Clock, name: str) -> None:
        """`url` is of kind udp. Nothing is opened yet."""
        super().__init__(name)
        self._url, self._clock = url, clock
        self._reader = CountedReader(self._counters)
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """Opens the socket. Raises LinkProblem when the host is not known or cannot be reached."""
        family, address = resolve(self._url, socket.SOCK_DGRAM)
        opened = socket.socket(family, socket.SOCK_DGRAM)
        try:
            opened.setblocking(False)
            widen(opened)
            opened.connect(address)
        except OSError as error:
            opened.close()
            raise cannot_open(self._url, error) from error
        self._socket = opened
        self._counters.connections += 1
        self._clock.watch(opened.fileno(), self._read)

    def send(self, frame: bytes) -> None:
        """Sends the frame as one datagram, or drops it."""
        counters, opened = self._counters, self._socket
        if opened is None or not _sent(opened, frame):
            counters.frames_dropped += 1
            return
        counters.frames_out += 1
        counters.bytes_out += len(frame)

    def close(self) -> None:
        """Closes the socket."""
        if self._socket is not None:
            self._clock.unwatch(self._socket.fileno())
            self._socket.close()
            self._socket = None
            self._reader.end()

    def _read(self) -> None:
        for _ in range(_DATAGRAMS_AT_ONCE):
            if self._socket is None:
                return
            try:
                data = self._socket.recv(RECEIVE_BYTES)
            except ConnectionRefusedError:
                continue
            except OSError:
                return
            for frame in self._reader.feed(data):
                self.on_frame(frame)


def _sent(opened: socket.socket, frame: bytes) -> bool:
    for _ in range(2):
        try:
            opened.send(frame)
        except ConnectionRefusedError:  # reports an earlier datagram; this one has not been tried yet
            continue
        except OSError:
            return False
        return True
    return False


class UdpPeer(Peer):
    """Somebody who has sent something to our port."""

    def __init__(self, port: socket.socket, address: Address, name: str) -> None:
        """`port` is the socket that the port shares with all its peers."""
        super().__init__(name)
        self._socket, self._address = port, address
        self.reader = CountedReader(self._counters)
        self.heard = False
        """Whether a whole frame came: only then is it answered."""
        self.heard_last = 0
        """The running number of its last datagram at the port."""

    def send(self, frame: bytes) -> None:
        """Sends the frame as one datagram, or drops it."""
        counters = self._counters
        try:
            self._socket.sendto(frame, self._address)
        except OSError:
            counters.frames_dropped += 1
        else:
            counters.frames_out += 1
            counters.bytes_out += len(frame)

    def close(self) -> None:
        """The port is shared; only what was begun ends."""
        self.reader.end()


class UdpListenEndpoint(GatheringEndpoint):
    """A port of our own. Everybody from whom a frame was heard there gets what is sent.

    At most PEERS_AT_MOST are kept; a newcomer replaces one who never sent a frame, else who was silent for longest.
    """

    def __init__(self, url: Url, clock: Clock, name: str) -> None:
        """`url` is of kind udp-listen. Nothing is opened yet."""
        super().__init__(name)
        self.port = url.port
        """The port that is open; the system's choice when the URL had 0."""
        self._url, self._clock = url, clock
        self._peers: dict[Address, UdpPeer] = {}
        self._datagrams = 0
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """Binds the port, without sharing it. Raises LinkProblem when it is in use."""
        self._socket = bind(self._url, socket.SOCK_DGRAM)
        widen(self._socket)
        self.port = bound_port(self._socket)
        self._clock.watch(self._socket.fileno(), self._read)

    def peers(self) -> list[Peer]:
        """Everybody from whom a frame was heard."""
        return [peer for peer in self._peers.values() if peer.heard]

    def close(self) -> None:
        """Closes the socket and forgets everybody."""
        if self._socket is not None:
            self._clock.unwatch(self._socket.fileno())
            self._socket.close()
            self._socket = None
        for address in list(self._peers):
            self._forget(address)

    def _read(self) -> None:
        for _ in range(_DATAGRAMS_AT_ONCE):
            if self._socket is None:
                return
            try:
                data, address = self._socket.recvfrom(RECEIVE_BYTES)
            except ConnectionRefusedError:
                continue
            except OSError:
                return
            peer = self._peers.get(address) or self._welcome(self._socket, address)
            self._take(peer, data)

    def _take(self, peer: UdpPeer, data: bytes) -> None:
        self._datagrams += 1
        peer.heard_last = self._datagrams
        frames = peer.reader.feed(data)
        if frames and not peer.heard:
            peer.heard = True
            self._arrive(peer)
        for frame in frames:
            peer.on_frame(frame)

    def _welcome(self, opened: socket.socket, address: Address) -> UdpPeer:
        peers = self._peers
        if len(peers) >= PEERS_AT_MOST:
            self._forget(min(peers, key=lambda known: (peers[known].heard, peers[known].heard_last)))
        peer = peers[address] = UdpPeer(opened, address, f"{self.name} {address[0]}:{address[1]}")
        return peer

    def _forget(self, address: Address) -> None:
        peer = self._peers.pop(address)
        peer.close()
        if peer.heard:
            self._depart(peer)
        else:
            self._counters.add(peer.counted)

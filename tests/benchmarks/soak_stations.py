"""Stations of the soak: plain sockets and a terminal that hear a hub and speak to it, each counting what it does.

They run in one thread of their own, by one select, so that none of them holds up another. One is slow: it takes a few
bytes in a second, and the hub must drop what it cannot take.
"""

from __future__ import annotations

import os
import select
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from time import monotonic

from pymavlink.dialects.v20 import common

from asflown.link.wire import FrameReader
from tests.unit.link.frames import Sender

SAYS_EVERY_S = 0.5
SLOW_BYTES = 64
SLOW_EVERY_S = 0.5
ASKED = (common.MAVLINK_MSG_ID_AUTOPILOT_VERSION, common.MAVLINK_MSG_ID_SYS_STATUS)
REQUEST_MESSAGE = 512


@dataclass
class Station:
    """One who hears and speaks; `slow` takes very little."""

    name: str
    descriptor: int
    sender: Sender
    closes: socket.socket | None = None
    slow: bool = False
    asks: bool = True
    reader: FrameReader = field(default_factory=FrameReader)
    said: int = 0
    heard: int = 0
    next_s: float = 0.0
    next_take_s: float = 0.0

    def speak(self) -> None:
        """A heartbeat, and by turns a request for a parameter and for a message."""
        frames = [self.sender.heartbeat()]
        if self.asks and self.said % 4 < 2:
            frames.append(self.sender.pack(common.MAVLink_param_request_read_message(1, 1, b"", 0)))
        elif self.asks:
            number = ASKED[self.said % len(ASKED)]
            frames.append(self.sender.pack(_request(number)))
        for frame in frames:
            os.write(self.descriptor, frame)
            self.said += 1

    def take(self) -> None:
        """Reads what has come, or a little of it."""
        try:
            data = os.read(self.descriptor, SLOW_BYTES if self.slow else 65_536)
        except BlockingIOError:
            return
        self.heard += len(self.reader.feed(data))

    def close(self) -> None:
        """Goes away."""
        if self.closes is not None:
            self.closes.close()
        else:
            os.close(self.descriptor)


def _request(number: int) -> common.MAVLink_command_long_message:
    return common.MAVLink_command_long_message(1, 1, REQUEST_MESSAGE, 0, number, 0, 0, 0, 0, 0, 0)


def at_udp(name: str, port: int, system: int, *, asks: bool) -> Station:
    """Dials a UDP port."""
    opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    opened.connect(("127.0.0.1", port))
    opened.setblocking(False)
    return Station(name, opened.fileno(), Sender(system, 190), opened, asks=asks)


def at_tcp(name: str, port: int, system: int, *, slow: bool) -> Station:
    """Dials a TCP port; a slow one has a small buffer besides."""
    opened = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if slow:
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    opened.connect(("127.0.0.1", port))
    opened.setblocking(False)
    return Station(name, opened.fileno(), Sender(system, 190), opened, slow=slow, asks=not slow)


def at_terminal(name: str, path: str, system: int) -> Station:
    """Opens a pseudo terminal as a serial port."""
    return Station(name, os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK), Sender(system, 190))


@contextmanager
def talking(stations: list[Station]) -> Iterator[threading.Event]:
    """They talk until the end; once the event is set they only listen."""
    quiet, ended = threading.Event(), threading.Event()

    def run() -> None:
        while not ended.is_set():
            _turn(stations, speak=not quiet.is_set())

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield quiet
    finally:
        ended.set()
        thread.join()
        for station in stations:
            station.close()


def _turn(stations: list[Station], *, speak: bool) -> None:
    now = monotonic()
    hear = [one for one in stations if not one.slow or now >= one.next_take_s]
    ready = set(select.select([one.descriptor for one in hear], [], [], 0.05)[0])
    for one in hear:
        if one.descriptor in ready:
            one.take()
            one.next_take_s = now + SLOW_EVERY_S
    for one in stations:
        if speak and now >= one.next_s:
            one.speak()
            one.next_s = now + SAYS_EVERY_S

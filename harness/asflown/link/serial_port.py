"""MAVLink over a serial port. Opened exclusively; a device that is unplugged is opened again when it comes back."""

from __future__ import annotations

import os
from pathlib import Path

import serial
from serial.tools import list_ports

from asflown.clock.base import Clock, Timer
from asflown.errors import LinkProblem
from asflown.link.backoff import Backoff
from asflown.link.stream import StreamEndpoint
from asflown.url import Url


class SerialEndpoint(StreamEndpoint):
    """A serial port; while the device is away, frames are dropped and counted."""

    def __init__(self, url: Url, clock: Clock, name: str) -> None:
        """`url` is of kind serial. Nothing is opened yet."""
        super().__init__(name, clock)
        self._url = url
        self._backoff = Backoff()
        self._port: serial.Serial | None = None
        self._again: Timer | None = None

    def open(self) -> None:
        """Opens the port. Raises LinkProblem when it is not there, taken, or refused."""
        self._start(open_port(self._url))

    def close(self) -> None:
        """Closes the port and opens it no more."""
        if self._again is not None:
            self._again.cancel()
            self._again = None
        self._disconnect()

    def _start(self, port: serial.Serial) -> None:
        self._port = port
        self._backoff.succeeded()
        self._begin_stream(port.fileno(), self._lost)

    def _lost(self) -> None:
        self._disconnect()
        self._again = self._clock.call_at(self._clock.now_us() + self._backoff.next_us(), self._reopen)

    def _reopen(self) -> None:
        self._again = None
        try:
            self._start(open_port(self._url))
        except LinkProblem:
            self._lost()

    def _disconnect(self) -> None:
        self._end_stream()
        if self._port is not None:
            self._port.close()
            self._port = None


def open_port(url: Url) -> serial.Serial:
    """The serial port of `url`, ours alone, non-blocking. Raises LinkProblem."""
    if not url.baud:
        raise LinkProblem(f"serial port {url.path} has no baud rate", "Write it, as ?baud=57600")
    if not Path(url.path).exists():
        raise LinkProblem(f"there is no serial port {url.path}", _known_ports())
    if not os.access(url.path, os.R_OK | os.W_OK):
        raise LinkProblem(
            f"serial port {url.path} may not be used by this user", "Join the group that owns the device"
        )
    try:
        return serial.Serial(url.path, url.baud, timeout=0, write_timeout=0, exclusive=True)
    except (OSError, ValueError) as error:
        raise LinkProblem(
            f"serial port {url.path} cannot be opened at {url.baud} baud",
            "Close the program that uses it, and check that it is a serial port that can do this rate",
        ) from error


def _known_ports() -> str:
    found = sorted(port.device for port in list_ports.comports())
    return f"There is {', '.join(found)}" if found else "No serial port is plugged in"

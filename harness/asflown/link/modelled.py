"""The script's port in lockstep: what UDP, TCP and serial ports have in common.

A kernel's socket drops silently after a few hundred small datagrams, and a sleeping script fills it in seconds of
flight. So the queue is modelled here (capacity in bytes, deterministic tail drop, counted), and the real socket
gets only what the script is about to read. Fulfils `link.base.Endpoint` for the hub and `clock.participant.HeldPort`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from asflown.errors import LinkProblem

LOOPBACK = "127.0.0.1"
STREAM_QUEUE_BYTES = 65_536
COLLECT_TIMEOUT_S = 10.0
"""Wall time after which what a script counted as sent, and what did not arrive, is a fault."""


class Splitter(Protocol):
    """Cuts what the script sent into whole frames (`link.wire.FrameReader`)."""

    def feed(self, data: bytes) -> list[bytes]:
        """The frames that `data` completes."""


class ModelledPort(ABC):
    """What UDP, TCP and serial ports of a held script have in common."""

    def __init__(self, splitter: Splitter) -> None:
        self.name = "script"
        self.on_frame: Callable[[bytes], None] = lambda frame: None
        self.on_news: Callable[[ModelledPort], None] = lambda port: None
        """The broker's `notice`."""
        self._splitter = splitter
        self._is_open = False
        self._queue: deque[bytes] = deque()
        self._queued_cost = 0
        self._delivered = self._read = self._sent = 0
        self._counts = dict.fromkeys(
            ("frames_in", "frames_out", "bytes_in", "bytes_out", "frames_dropped", "frames_unheard"), 0
        )

    @abstractmethod
    def open(self) -> None:
        """Opens the hub's side; harmless when repeated. Raises LinkProblem."""

    @abstractmethod
    def close(self) -> None:
        """Closes the hub's side; harmless when repeated."""

    @abstractmethod
    def facts(self) -> dict[str, Any]:
        """How the shim recognises it."""

    @abstractmethod
    def collect(self, sent: int) -> None:
        """Takes in what the script sent, until the total is `sent`."""

    @abstractmethod
    def collect_rest(self) -> None:
        """Takes in what still lies in the real socket of a script that is gone."""

    @abstractmethod
    def hand_over(self) -> tuple[int, bool]:
        """Puts what fits into the real socket: the total delivered, and whether more is held back."""

    def send(self, frame: bytes) -> None:
        """Queues a frame for the script, or drops and counts it when the queue is full or nobody listens yet."""
        if not self._is_open:
            self._counts["frames_unheard"] += 1
            return
        cost = self._cost(frame)
        if self._occupied() + cost > self._capacity():
            self._counts["frames_dropped"] += 1
            return
        self._queue.append(frame)
        self._queued_cost += cost
        self.on_news(self)

    def opened(self) -> None:
        """The script is there; counts start at zero."""
        self._is_open = True
        self._delivered = self._read = self._sent = 0
        self._forget()

    def closed(self) -> None:
        """The script let go: what it did not read is gone."""
        self._is_open = False
        self._forget()

    def has_news(self) -> bool:
        """Whether the script would find something to read."""
        return bool(self._queue) or self._delivered > self._read

    def counters(self) -> dict[str, int]:
        """Frames and bytes each way, and what was dropped or unheard."""
        return dict(self._counts)

    def _take(self, data: bytes) -> None:
        self._counts["bytes_in"] += len(data)
        for frame in self._splitter.feed(data):
            self._counts["frames_in"] += 1
            self.on_frame(frame)

    def _count_out(self, frame: bytes) -> None:
        self._counts["frames_out"] += 1
        self._counts["bytes_out"] += len(frame)

    def _forget(self) -> None:
        self._queue.clear()
        self._queued_cost = 0

    def _cost(self, frame: bytes) -> int:
        return len(frame)

    def _capacity(self) -> int:
        return STREAM_QUEUE_BYTES

    def _occupied(self) -> int:
        return self._queued_cost + self._delivered - self._read

    def has_read(self, read: int) -> None:
        """The script has read so much in total."""
        self._read = read


def port_taken(transport: str, port: int) -> LinkProblem:
    """The error for a port that another program holds."""
    return LinkProblem(
        f"{transport} port {port} on {LOOPBACK} is in use by another program",
        "End that program, or give the scenario another port",
    )

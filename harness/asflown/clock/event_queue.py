"""What is to happen in a flight: plain callbacks, ordered by flight time, then by the order of asking."""

from __future__ import annotations

import heapq
from collections.abc import Callable


class QueuedTimer:
    """A callback in the queue."""

    __slots__ = ("callback",)

    def __init__(self, callback: Callable[[], None]) -> None:
        self.callback: Callable[[], None] | None = callback

    def cancel(self) -> None:
        """Makes it not happen."""
        self.callback = None


class EventQueue:
    """What is to happen, ordered by flight time, then by the order of asking."""

    __slots__ = ("_heap", "_number")

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, QueuedTimer]] = []
        self._number = 0

    def push(self, when_us: int, callback: Callable[[], None]) -> QueuedTimer:
        """Adds a callback behind everything asked for earlier at the same time."""
        self._number += 1
        timer = QueuedTimer(callback)
        heapq.heappush(self._heap, (when_us, self._number, timer))
        return timer

    def next_us(self) -> int | None:
        """When the next callback is due; None when there is none."""
        heap = self._heap
        while heap and heap[0][2].callback is None:
            heapq.heappop(heap)
        return heap[0][0] if heap else None

    def pop(self) -> Callable[[], None]:
        """Takes the next callback out; call only after `next_us` gave a time."""
        callback = heapq.heappop(self._heap)[2].callback
        assert callback is not None
        return callback

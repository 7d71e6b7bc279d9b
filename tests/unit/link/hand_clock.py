"""A clock moved by hand, and waiting for real descriptors without asking what time it is."""

from __future__ import annotations

import heapq
import select
from collections.abc import Callable
from typing import Literal

READINESS_WAIT_S = 0.05
PATIENCE = 100
"""How many empty waits in a row until a test gives up."""


class HandTimer:
    """Something asked for."""

    def __init__(self, callback: Callable[[], None]) -> None:
        self.callback: Callable[[], None] | None = callback

    def cancel(self) -> None:
        """Makes it not happen."""
        self.callback = None


class HandClock:
    """Flight time stands still unless `move_to` is called; descriptors are looked at in `pump`."""

    kind: Literal["lockstep", "paced"] = "paced"
    epoch_us = 0

    def __init__(self) -> None:
        self._now_us = 0
        self._number = 0
        self._queue: list[tuple[int, int, HandTimer]] = []
        self.watched: dict[int, Callable[[], None]] = {}
        self._poll = select.epoll()

    def now_us(self) -> int:
        """Flight time."""
        return self._now_us

    def call_at(self, when_us: int, callback: Callable[[], None]) -> HandTimer:
        """As every clock does."""
        self._number += 1
        timer = HandTimer(callback)
        heapq.heappush(self._queue, (when_us, self._number, timer))
        return timer

    async def sleep_until(self, when_us: int) -> None:
        """Nobody here sleeps."""
        raise AssertionError(when_us)

    def watch(self, file_descriptor: int, readable: Callable[[], None]) -> None:
        """As paced clocks do."""
        assert file_descriptor not in self.watched
        self.watched[file_descriptor] = readable
        self._poll.register(file_descriptor, select.EPOLLIN)

    def unwatch(self, file_descriptor: int) -> None:
        """As paced clocks do."""
        del self.watched[file_descriptor]
        self._poll.unregister(file_descriptor)

    def move_to(self, when_us: int) -> None:
        """Runs everything due up to `when_us`, then stands there."""
        while self._queue and self._queue[0][0] <= when_us:
            due_us, _, timer = heapq.heappop(self._queue)
            self._now_us = max(self._now_us, due_us)
            if timer.callback is not None:
                timer.callback()
        self._now_us = max(self._now_us, when_us)

    def waiting(self) -> int:
        """How many timers are set."""
        return sum(timer.callback is not None for _, _, timer in self._queue)

    def pump(self, until: Callable[[], object]) -> None:
        """Calls who is readable until `until` gives something true; fails when nothing happens for long."""
        idle = 0
        while not until():
            ready = self._poll.poll(READINESS_WAIT_S)
            idle = 0 if ready else idle + 1
            assert idle < PATIENCE, "nothing happens any more"
            for file_descriptor, _ in ready:
                if file_descriptor in self.watched:
                    self.watched[file_descriptor]()

    def settle(self) -> None:
        """Calls who is readable until nobody is."""
        while ready := self._poll.poll(0):
            for file_descriptor, _ in ready:
                if file_descriptor in self.watched:
                    self.watched[file_descriptor]()

    def close(self) -> None:
        """Frees the poll set."""
        self._poll.close()

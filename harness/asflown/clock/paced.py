"""The paced clock: flight time is wall time, for containers, benches, airframes and scripts that cannot be held."""

from __future__ import annotations

import selectors
import time
from collections.abc import Callable

from asflown.clock.base import ClockKind
from asflown.clock.kernel import QueueClock

MICROSECONDS = 1_000_000


class PacedClock(QueueClock):
    """Flight time that follows the machine's monotonic clock. Time does not move while a callback runs."""

    kind: ClockKind = "paced"

    def __init__(self) -> None:
        super().__init__()
        self._zero_ns = time.monotonic_ns()
        self.epoch_us = time.time_ns() // 1000
        self._now_us = 0

    def now_us(self) -> int:
        """Flight time, whole microseconds; never goes back."""
        self._now_us = max(self._now_us, (time.monotonic_ns() - self._zero_ns) // 1000)
        return self._now_us

    def watch(self, file_descriptor: int, readable: Callable[[], None]) -> None:
        """Calls `readable` whenever the descriptor can be read."""
        self._loop.add_reader(file_descriptor, readable)

    def unwatch(self, file_descriptor: int) -> None:
        """Ends `watch`."""
        self._loop.remove_reader(file_descriptor)

    def _wait(self, *, block: bool) -> list[tuple[selectors.SelectorKey, int]]:
        self._check_stop()
        self._run_due()
        timeout_s = 0.0
        if block and not self._loop.woken:
            due_us = self.queue.next_us()
            timeout_s = 3600.0 if due_us is None else max(0, due_us - self.now_us()) / MICROSECONDS
        if timeout_s == 0:
            return self._loop.select_really(0)
        return self.blocking(lambda: self._loop.select_really(timeout_s))

    def _run_due(self) -> None:
        """Runs everything that is due by now; what it asks for in turn waits for the next round."""
        now_us = self.now_us()
        due_us = self.queue.next_us()
        while due_us is not None and due_us <= now_us:
            self.queue.pop()()
            self._check_stop()
            due_us = self.queue.next_us()

"""The paced clock: flight time is wall time, for containers, benches, airframes and scripts that cannot be held.

Descriptors that are watched have a poll set of the clock's own, in which the event loop's is one entry: a frame that
passes through costs no round of the loop.
"""

from __future__ import annotations

import select
import selectors
import time
from collections.abc import Callable

from asflown.clock.base import ClockKind
from asflown.clock.kernel import QueueClock

MICROSECONDS = 1_000_000


class PacedClock(QueueClock):
    """Flight time that follows the machine's monotonic clock. Time does not move while a callback runs."""

    kind: ClockKind = "paced"

    def __init__(self, epoch_us: int | None = None, *, rate: float = 1.0) -> None:
        """`epoch_us` is where flight time 0 lies, for a process that joins a flight which has begun; else it is now.

        `rate` is seconds of flight time in a second of wall time, for a vehicle that is simulated faster than that.
        """
        super().__init__()
        self._rate = rate
        now_us = time.time_ns() // 1000
        self.epoch_us = now_us if epoch_us is None else min(epoch_us, now_us)
        self._zero_ns = time.monotonic_ns() - (now_us - self.epoch_us) * 1000
        self._now_us = 0
        self._readers: dict[int, Callable[[], None]] = {}
        self._poll = select.epoll()
        self._poll.register(self._loop.selector_fileno(), select.EPOLLIN)

    def close(self) -> None:
        """As every clock does, and the descriptors' poll set."""
        super().close()
        self._poll.close()

    def now_us(self) -> int:
        """Flight time, whole microseconds; never goes back."""
        self._now_us = max(self._now_us, int((time.monotonic_ns() - self._zero_ns) * self._rate) // 1000)
        return self._now_us

    def watch(self, file_descriptor: int, readable: Callable[[], None]) -> None:
        """Calls `readable` whenever the descriptor can be read."""
        self._readers[file_descriptor] = readable
        self._poll.register(file_descriptor, select.EPOLLIN)

    def unwatch(self, file_descriptor: int) -> None:
        """Ends `watch`; harmless when nothing is watched, or the clock is spent."""
        if self._readers.pop(file_descriptor, None) is not None and not self._poll.closed:
            self._poll.unregister(file_descriptor)

    def _wait(self, *, block: bool) -> list[tuple[selectors.SelectorKey, int]]:
        while True:
            self._check_stop()
            self._run_due()
            may_wait = block and not self._loop.woken
            loop_is_ready = self._serve(self._until_due_s() if may_wait else 0.0)
            if loop_is_ready or self._loop.woken or not block:
                return self._loop.select_really(0)

    def _until_due_s(self) -> float:
        due_us = self.queue.next_us()
        return 3600.0 if due_us is None else max(0, due_us - self.now_us()) / MICROSECONDS / self._rate

    def _serve(self, timeout_s: float) -> bool:
        """Waits for descriptors and calls who is readable; whether the event loop has something to do."""
        poll = self._poll.poll
        ready = self.blocking(lambda: poll(timeout_s)) if timeout_s else poll(0)
        loop_is_ready = False
        for file_descriptor, _ in ready:
            readable = self._readers.get(file_descriptor)  # one callback may end another's watch
            if readable is None:
                loop_is_ready = True
                continue
            try:
                readable()
            except Exception as error:  # noqa: BLE001 - whatever it is ends the run, in order
                self._fail(error)
        return loop_is_ready

    def _run_due(self) -> None:
        """Runs everything that is due by now; what it asks for in turn waits for the next round."""
        now_us = self.now_us()
        due_us = self.queue.next_us()
        while due_us is not None and due_us <= now_us:
            self.queue.pop()()
            self._check_stop()
            due_us = self.queue.next_us()

"""The clock that follows a vehicle's own time: for one that runs faster, or slower, than the wall.

Held scripts and the harness's own events get time as on the virtual clock, but never more of it than the vehicle has
reported: time moves when the vehicle says so. Before its first word, and once it has been silent for longer than
SILENT_S of wall time, the wall's time counts, so that waiting for it comes to an end.

The vehicle does not wait: what it sends while a script computes is there when the script looks, and the flight is not
repeatable.
"""

from __future__ import annotations

import select
import time
from collections.abc import Callable

from asflown.clock.base import ClockKind
from asflown.clock.shim.asflown_held.protocol import NEVER_US
from asflown.clock.virtual import VirtualClock

SILENT_S = 1.0
WAIT_S = 0.02
"""Wall time between two looks at how far time may move."""


class FollowedClock(VirtualClock):
    """Flight time that a vehicle reports."""

    kind: ClockKind = "paced"

    def __init__(self) -> None:
        super().__init__()
        self.epoch_us = time.time_ns() // 1000
        self._readers: dict[int, Callable[[], None]] = {}
        self._poll = select.epoll()
        self._offset_us: int | None = None
        """Flight time at which the vehicle's own was 0; None before its first word."""
        self._reported_us = 0
        self._reported_ns = time.monotonic_ns()

    def follow(self, vehicle_us: int) -> None:
        """The vehicle says what time it is by its own count, microseconds; what lies behind counts for nothing."""
        if self._offset_us is None:
            self._offset_us = self._allowed_us() - vehicle_us
        reported_us = self._offset_us + vehicle_us
        if reported_us >= self._reported_us:
            self._reported_us, self._reported_ns = reported_us, time.monotonic_ns()

    def watch(self, file_descriptor: int, readable: Callable[[], None]) -> None:
        """Calls `readable` whenever the descriptor can be read."""
        self._readers[file_descriptor] = readable
        self._poll.register(file_descriptor, select.EPOLLIN)

    def unwatch(self, file_descriptor: int) -> None:
        """Ends `watch`; harmless when nothing is watched, or the clock is spent."""
        if self._readers.pop(file_descriptor, None) is not None and not self._poll.closed:
            self._poll.unregister(file_descriptor)

    def close(self) -> None:
        """Frees what a clock has."""
        super().close()
        self._poll.close()

    def _step(self) -> None:
        """As on the virtual clock, once the vehicle's time has come to what is next."""
        gate, wake_us = self.gate, NEVER_US
        if gate is not None:
            if gate.busy:
                gate.settle()
                if self._loop.woken:
                    return
            wake_us = gate.wake_us
        due_us = self.queue.next_us()
        if self._until(wake_us if due_us is None else min(due_us, wake_us)):
            super()._step()

    def _allowed_us(self) -> int:
        """How far time may move now."""
        silent_s = (time.monotonic_ns() - self._reported_ns) / 1e9
        grace_s = 0.0 if self._offset_us is None else SILENT_S
        return self._reported_us + round(max(0.0, silent_s - grace_s) * 1e6)

    def _until(self, next_us: int) -> bool:
        """Reads what there is, and waits until time may move to `next_us`; whether it then may without another look."""
        if self._serve(0.0):
            return False
        while self._allowed_us() < next_us:
            self._check_stop()
            if self._serve(WAIT_S):
                return False
        return True

    def _serve(self, timeout_s: float) -> bool:
        """Calls who is readable; whether anybody was."""
        poll = self._poll.poll
        ready = self.blocking(lambda: poll(timeout_s)) if timeout_s else poll(0)
        if ready:
            allowed_us = self._allowed_us()
            due_us = self.queue.next_us()
            self._now_us = max(self._now_us, allowed_us if due_us is None else min(allowed_us, due_us))
        for file_descriptor, _ in ready:
            readable = self._readers.get(file_descriptor)
            if readable is not None:
                readable()
        return bool(ready)

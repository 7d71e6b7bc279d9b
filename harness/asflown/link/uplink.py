"""The way up to the vehicle: straight while it is free, by the order of `priority` while the radio is busy.

The next frame is handed to the radio a moment before the last one has left, so that the air does not idle because a
timer of a paced clock comes late; at most that one frame is ahead of a more urgent one.
"""

from __future__ import annotations

from collections.abc import Callable

from asflown.clock.base import Clock
from asflown.link.priority import Level, UplinkQueue
from asflown.link.radio import Lane

AHEAD_US = 1_000


class Uplink:
    """Sends frames to the vehicle in order of urgency. Parties are numbers."""

    def __init__(self, clock: Clock, send: Callable[[bytes], None], lane: Lane | None) -> None:
        """`send` takes a frame on its way; `lane` says when it is free, None meaning always."""
        self._clock, self._send = clock, send
        self._lane = lane if lane is not None and lane.limited else None
        self._queue = UplinkQueue()
        self._timer_set = self._closed = False

    def send(self, party: int, level: Level, frame: bytes) -> bool:
        """Sends the frame now or when its turn comes. False when a frame was dropped for want of room."""
        if self._closed:
            return False
        if self._lane is None or (not self._queue and self._wait_us(self._lane) <= 0):
            self._queue.passed(level)
            self._send(frame)
            return True
        kept = self._queue.put(party, level, frame)
        if not self._timer_set:
            self._set_timer(self._lane)
        return kept

    def purge(self, party: int) -> int:
        """Drops what waits of a party; returns how many frames that were."""
        return self._queue.purge(party)

    def close(self) -> None:
        """Sends no more; what waits stays counted as waiting."""
        self._closed = True

    def counters(self) -> dict[str, int]:
        """By level, and `waiting`."""
        return {**self._queue.counters(), "waiting": len(self._queue)}

    def _wait_us(self, lane: Lane) -> int:
        return lane.free_us() - AHEAD_US - self._clock.now_us()

    def _set_timer(self, lane: Lane) -> None:
        self._timer_set = True
        self._clock.call_at(self._clock.now_us() + max(0, self._wait_us(lane)), self._go_on)

    def _go_on(self) -> None:
        self._timer_set = False
        assert self._lane is not None
        while self._queue and not self._closed and self._wait_us(self._lane) <= 0:
            self._send(self._queue.pop())
        if self._queue and not self._closed:
            self._set_timer(self._lane)

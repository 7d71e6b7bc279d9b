"""The way up to the vehicle: straight while it is free, by the order of `priority` while the radio is busy.

The next frame is handed to the radio a moment before the last one has left, so that the air does not idle because a
timer of a paced clock comes late; at most that one frame is ahead of a more urgent one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from asflown.clock.base import Clock
from asflown.link.priority import Level, UplinkQueue

AHEAD_US = 1_000


class Way(Protocol):
    """What frames go up by: a lane of an emulated radio, or the budget of a real one."""

    @property
    def limited(self) -> bool:
        """Whether frames may have to wait for those before them."""

    def free_us(self) -> int:
        """From when on a frame need not wait, as far as is known now; to be asked again then."""


class Uplink:
    """Sends frames to the vehicle in order of urgency. Parties are numbers."""

    def __init__(
        self,
        clock: Clock,
        send: Callable[[bytes], None],
        way: Way | None,
        expired: Callable[[int, Level], None],
    ) -> None:
        """`send` takes a frame on its way; `way` says when it is free, None meaning always.

        `expired` is told the party and level of a frame that waited for too long.
        """
        self._clock, self._send, self._expired = clock, send, expired
        self._way = way if way is not None and way.limited else None
        self._queue = UplinkQueue()
        self._timer_set = self._closed = False

    def send(self, party: int, level: Level, frame: bytes) -> bool:
        """Sends the frame now or when its turn comes. False when a frame was dropped for want of room."""
        if self._closed:
            return False
        if self._way is None or (not self._queue and self._wait_us(self._way) <= 0):
            self._queue.passed(level)
            self._send(frame)
            return True
        kept = self._queue.put(party, level, frame, self._clock.now_us())
        if not self._timer_set:
            self._set_timer(self._way)
        return kept

    def purge(self, party: int) -> list[Level]:
        """Drops what waits of a party; returns the level of each frame."""
        return self._queue.purge(party)

    def close(self) -> None:
        """Sends no more; what waits stays counted as waiting."""
        self._closed = True

    def counters(self) -> dict[str, int]:
        """By level, and `waiting`."""
        return {**self._queue.counters(), "waiting": len(self._queue)}

    def _wait_us(self, way: Way) -> int:
        return way.free_us() - AHEAD_US - self._clock.now_us()

    def _set_timer(self, way: Way) -> None:
        self._timer_set = True
        self._clock.call_at(self._clock.now_us() + max(1, self._wait_us(way)), self._go_on)

    def _go_on(self) -> None:
        self._timer_set = False
        assert self._way is not None
        for party, level in self._queue.expire(self._clock.now_us()):
            self._expired(party, level)
        while self._queue and not self._closed and self._wait_us(self._way) <= 0:
            self._send(self._queue.pop())
        if self._queue and not self._closed:
            self._set_timer(self._way)

"""The air of a half-duplex radio: one side sends at a time, and turning round takes a while.

A side keeps the air while it has something to send, but when the other waits for no longer than its window; then the
other has its turn. Within a side frames leave in the order they came.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from functools import partial

from asflown.clock.base import Clock

_US_PER_S = 1_000_000


class SharedAir:
    """Two sides, numbered 0 and 1, that share one medium."""

    def __init__(
        self, clock: Clock, rates_bytes_per_s: tuple[int, int], turn_around_us: int, window_us: int
    ) -> None:
        self._clock, self._rates = clock, rates_bytes_per_s
        self._turn_around_us, self._window_us = turn_around_us, window_us
        self._queues: tuple[deque[tuple[int, Callable[[int], None]]], ...] = (deque(), deque())
        self._bytes = [0, 0]
        self._side: int | None = None
        self._busy = False
        self._ends_us = self._window_ends_us = 0

    def put(self, side: int, size_bytes: int, left: Callable[[int], None]) -> None:
        """Takes a frame on; `left` is called with the flight time when its last byte has left."""
        self._queues[side].append((size_bytes, left))
        self._bytes[side] += size_bytes
        if not self._busy:
            self._window_ends_us = self._clock.now_us() + self._window_us
            self._next()

    def waiting_bytes(self, side: int) -> int:
        """How many bytes of a side have been taken on, by whole frames that have not left."""
        return self._bytes[side]

    def free_us(self, side: int) -> int:
        """When a new frame of this side may be put: it then waits for its turn, and for no other frame of its side.

        While one waits, the earliest that it could have left, if the other side asked for nothing more.
        """
        now_us = self._clock.now_us()
        queued = sum(size for size, _ in self._queues[side])
        if queued:
            turn_us = 0 if side == self._side else self._turn_around_us
            return self._ends_us + turn_us + self._duration_us(side, queued)
        return self._ends_us if self._busy and side == self._side else now_us

    def _duration_us(self, side: int, size_bytes: int) -> int:
        return -(-size_bytes * _US_PER_S // self._rates[side])

    def _next(self) -> None:
        begin_us = self._clock.now_us()
        side = self._choose(begin_us)
        if side is None:
            self._busy = False
            return
        if side != self._side:
            begin_us += self._turn_around_us if self._side is not None else 0
            self._side, self._window_ends_us = side, begin_us + self._window_us
        size, left = self._queues[side].popleft()
        self._busy, self._ends_us = True, begin_us + self._duration_us(side, size)
        self._clock.call_at(self._ends_us, partial(self._done, side, size, left))

    def _choose(self, now_us: int) -> int | None:
        mine = self._side or 0
        other = 1 - mine
        if not self._queues[mine]:
            return other if self._queues[other] else None
        return other if self._queues[other] and now_us >= self._window_ends_us else mine

    def _done(self, side: int, size: int, left: Callable[[int], None]) -> None:
        self._bytes[side] -= size
        left(self._ends_us)
        self._next()

"""Frames that wait for a party that takes them slowly: bounded, and never one without its beginning."""

from __future__ import annotations

from collections import deque

OUTBOX_BYTES = 65_536
"""What may wait for a slow party; at 57,600 baud about eleven seconds of traffic."""


class Outbox:
    """Whole frames in order; when it is full the oldest give way, so that who comes back hears fresh ones.

    A frame that has begun to leave stays until its last byte has.
    """

    __slots__ = ("_begun", "_frames", "_limit_bytes", "_waiting_bytes")

    def __init__(self, limit_bytes: int = OUTBOX_BYTES) -> None:
        self._limit_bytes = limit_bytes
        self._frames: deque[bytes] = deque()
        self._waiting_bytes = 0
        self._begun = b""

    def __bool__(self) -> bool:
        return bool(self._begun or self._frames)

    def __len__(self) -> int:
        """How many frames wait, a begun one included."""
        return len(self._frames) + bool(self._begun)

    def put(self, frame: bytes) -> int:
        """Adds a frame; returns how many older ones gave way to it."""
        self._frames.append(frame)
        self._waiting_bytes += len(frame)
        gave_way = 0
        while self._waiting_bytes > self._limit_bytes and len(self._frames) > 1:
            self._waiting_bytes -= len(self._frames.popleft())
            gave_way += 1
        return gave_way

    def waiting(self) -> bytes:
        """Everything that waits, in order."""
        return b"".join((self._begun, *self._frames))

    def written(self, count: int) -> int:
        """Takes out the first `count` bytes of `waiting`; returns how many frames have wholly left by that."""
        left = 0
        if self._begun and count:
            part, self._begun = self._begun, self._begun[count:]
            count -= min(count, len(part))
            left = not self._begun
        while count:
            frame = self._frames.popleft()
            self._waiting_bytes -= len(frame)
            self._begun = frame[count:]
            count -= min(count, len(frame))
            left += not self._begun
        return left

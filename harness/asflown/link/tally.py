"""Events that a flood may cause: told as sums, at most one a second, so that a flood cannot fill the disk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from asflown.clock.base import Clock

INTERVAL_US = 1_000_000


class EventRecorder(Protocol):
    """Where events go."""

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records that something happened."""


class Tally:
    """Frames of one fate by name; every one noted is in exactly one event, once `tell` was called at the end."""

    def __init__(self, clock: Clock, recorder: EventRecorder, kind: str) -> None:
        """`kind` is the event's; its fact `frames` counts by name."""
        self._clock, self._kind = clock, kind
        self._event: Callable[..., None] = recorder.event
        self._untold: dict[str, int] = {}
        self._next_us = 0

    def note(self, name: str) -> None:
        """One more frame."""
        self._untold[name] = self._untold.get(name, 0) + 1
        if self._clock.now_us() >= self._next_us:
            self.tell()

    def tell(self) -> None:
        """An event for all since the last one, when there are any."""
        if self._untold:
            now_us = self._clock.now_us()
            self._event(now_us, self._kind, frames=self._untold)
            self._untold = {}
            self._next_us = now_us + INTERVAL_US

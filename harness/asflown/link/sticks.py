"""How old a pilot's sticks are when they reach the vehicle, as the flight's events.

An event `sticks` tells when sticks reached the vehicle's link (on hardware: when they were handed to it; with an
emulated radio: when they came out of it), how old they were then, and the longest time since the last event that the
vehicle was without new ones. At most one event is written in 20 ms, so that a flood cannot fill the disk.
"""

from __future__ import annotations

from collections.abc import Callable

from asflown.link import wire
from asflown.link.priority import STICKS

EVENT_INTERVAL_US = 20_000
_UNDER_WAY_AT_MOST = 256


class StickWatch:
    """Follows sticks from the hub's door to the vehicle's."""

    def __init__(self, event: Callable[[int, int, int], None]) -> None:
        """`event` takes flight time, age and gap, all in microseconds."""
        self._event = event
        self._under_way: dict[bytes, int] = {}
        self._last_arrival_us = self._next_event_us = self._worst_gap_us = 0
        self._never = True

    def said(self, now_us: int, frame: bytes) -> None:
        """Sticks of a pilot came to the hub."""
        if len(self._under_way) >= _UNDER_WAY_AT_MOST:
            self._under_way.pop(next(iter(self._under_way)))
        self._under_way[frame] = now_us

    def arrived(self, now_us: int, frame: bytes) -> None:
        """A frame reached the vehicle; only sticks of a pilot matter."""
        said_us = self._under_way.pop(frame, None)
        if said_us is None:
            return
        if not self._never:
            self._worst_gap_us = max(self._worst_gap_us, now_us - self._last_arrival_us)
        self._never, self._last_arrival_us = False, now_us
        if now_us >= self._next_event_us:
            self._event(now_us, now_us - said_us, self._worst_gap_us)
            self._next_event_us, self._worst_gap_us = now_us + EVENT_INTERVAL_US, 0

    @property
    def waiting(self) -> bool:
        """Whether sticks are under way: only then need frames be looked at."""
        return bool(self._under_way)


def are_sticks(frame: bytes) -> bool:
    """Whether a frame moves sticks."""
    return wire.message_id(frame) in STICKS

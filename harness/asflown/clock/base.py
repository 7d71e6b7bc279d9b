"""What every clock offers: flight time in whole microseconds, and things to do at a flight time.

The two implementations (`virtual.py`, `paced.py`) differ in how they wait, and in nothing else. Ties are
broken by a running number: what was asked for first happens first. Nobody outside `clock/` reads wall time.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, Protocol

ClockKind = Literal["lockstep", "paced"]


class Timer(Protocol):
    """Something that will happen, unless cancelled."""

    def cancel(self) -> None:
        """Makes it not happen; harmless afterwards."""


class Clock(Protocol):
    """Flight time: 0 when the flight begins, in whole microseconds."""

    kind: ClockKind
    epoch_us: int
    """Unix time of flight time 0, microseconds. Fixed in lockstep, so that equal flights have equal stamps."""

    def now_us(self) -> int:
        """Flight time now. It does not move while a callback runs in lockstep."""

    def call_at(self, when_us: int, callback: Callable[[], None]) -> Timer:
        """Calls `callback` at flight time `when_us`, or as soon as possible when that has passed."""

    async def sleep_until(self, when_us: int) -> None:
        """Waits until flight time `when_us`."""

    def watch(self, file_descriptor: int, readable: Callable[[], None]) -> None:
        """Paced clocks only: calls `readable` whenever the descriptor can be read without blocking."""

    def unwatch(self, file_descriptor: int) -> None:
        """Ends `watch`."""

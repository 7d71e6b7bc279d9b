"""A beat in wall time with absolute deadlines, for a process that must do something 250 times a second.

A late beat does not move the later ones: what was missed is caught up at once. Implements what endpoints need of a
clock; descriptors are looked at when the beat comes, and callbacks run then.
"""

from __future__ import annotations

import os
import select
import time
from array import array
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import count

from asflown.clock.base import ClockKind, Timer

BIN_US, BINS = 10, 5_000
"""Periods are counted in bins, so that a long flight needs no more memory; the worst is kept exactly."""


@dataclass(frozen=True, slots=True)
class Beats:
    """How regular it was. Times in microseconds."""

    count: int
    overruns: int
    """Beats that began more than half a period late."""
    period_us_p50: float
    period_us_p99: float
    period_us_worst: int
    scheduling: str
    """`fifo` where the system let it go before others, else `normal`."""


class _Entry:
    def __init__(self, callback: Callable[[], None]) -> None:
        self.callback: Callable[[], None] | None = callback

    def cancel(self) -> None:
        """Makes it not happen."""
        self.callback = None


class Metronome:
    """Beats every `period_us`, from `begin` on."""

    kind: ClockKind = "paced"

    def __init__(self, period_us: int) -> None:
        self._period_us = period_us
        self._zero_ns = time.monotonic_ns()
        self.epoch_us = time.time_ns() // 1000
        self._readers: dict[int, Callable[[], None]] = {}
        self._poll = select.poll()
        self._due: list[tuple[int, int, _Entry]] = []
        self._numbers = count()
        self._bins = array("L", bytes(8 * (BINS + 1)))
        self._beats = self._overruns = self._worst_us = 0
        self._scheduling = "normal"

    def now_us(self) -> int:
        """Wall time since it was made."""
        return (time.monotonic_ns() - self._zero_ns) // 1000

    def call_at(self, when_us: int, callback: Callable[[], None]) -> Timer:
        """Calls it at the first beat at or after this time."""
        entry = _Entry(callback)
        self._due.append((when_us, next(self._numbers), entry))
        return entry

    async def sleep_until(self, when_us: int) -> None:
        """Not here: a metronome has no tasks. Raises NotImplementedError."""
        raise NotImplementedError

    def watch(self, file_descriptor: int, readable: Callable[[], None]) -> None:
        """Calls `readable` at each beat at which the descriptor can be read."""
        self._readers[file_descriptor] = readable
        self._poll.register(file_descriptor, select.POLLIN)

    def unwatch(self, file_descriptor: int) -> None:
        """Ends `watch`; harmless when nothing is watched."""
        if self._readers.pop(file_descriptor, None) is not None:
            self._poll.unregister(file_descriptor)

    def go_first(self) -> None:
        """Asks the system to let this process go before others; it may say no."""
        with suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
            self._scheduling = "fifo"

    def beats(self) -> Iterator[int]:
        """Waits for each beat, then reads and calls what is due; yields its number, from 0."""
        begin_ns = time.monotonic_ns()
        before_ns = begin_ns - self._period_us * 1000
        for number in count():
            deadline_ns = begin_ns + number * self._period_us * 1000
            late_ns = time.monotonic_ns() - deadline_ns
            if late_ns < 0:
                time.sleep(-late_ns / 1e9)
            now_ns = time.monotonic_ns()
            self._note((now_ns - before_ns) // 1000, (now_ns - deadline_ns) // 1000)
            before_ns = now_ns
            self._serve()
            yield number

    def report(self) -> Beats:
        """So far."""
        return Beats(
            self._beats, self._overruns, self._share(0.5), self._share(0.99), self._worst_us, self._scheduling
        )

    def _note(self, period_us: int, late_us: int) -> None:
        self._beats += 1
        self._bins[min(BINS, period_us // BIN_US)] += 1
        self._worst_us = max(self._worst_us, period_us)
        if 2 * late_us > self._period_us:
            self._overruns += 1

    def _share(self, share: float) -> float:
        """The period that this share of all periods does not exceed, to half a bin."""
        left = share * self._beats
        for number, found in enumerate(self._bins):
            left -= found
            if left <= 0:
                return (number + 0.5) * BIN_US
        return float(self._worst_us)

    def _serve(self) -> None:
        for file_descriptor, _ in self._poll.poll(0):
            readable = self._readers.get(file_descriptor)
            if readable is not None:
                readable()
        if self._due:
            now_us = self.now_us()
            ready = sorted(entry for entry in self._due if entry[0] <= now_us)
            self._due = [entry for entry in self._due if entry[0] > now_us]
            for _, _, entry in ready:
                if entry.callback is not None:
                    entry.callback()

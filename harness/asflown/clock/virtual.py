"""The virtual clock: time jumps to what comes next, and waits for held scripts, not for the wall.

Invariants: time never goes back; an event of the harness at a time comes before a script that wakes at that time;
a script is granted time only up to the next event, so nothing it should have seen can have happened already.
"""

from __future__ import annotations

import selectors
from collections.abc import Callable
from typing import Protocol

from asflown.clock.base import ClockKind
from asflown.clock.kernel import QueueClock
from asflown.clock.shim.asflown_held.protocol import NEVER_US
from asflown.errors import HarnessFault

VIRTUAL_EPOCH_US = 1_767_225_600_000_000
"""Flight time zero of every lockstep flight: 2026-01-01T00:00:00Z."""
HORIZON_US_MAX = 1_000_000
"""How far a script may run when nothing else is due."""


class Gate(Protocol):
    """What stands between the clock and held scripts."""

    busy: bool
    """Whether a script may be running: then it has to settle before time moves."""
    wake_us: int
    """Earliest time at which an idle script wakes; NEVER_US when none does."""

    def settle(self) -> None:
        """Blocks until no script runs."""

    def grant(self, now_us: int, horizon_us: int) -> None:
        """Lets the script that wakes first run."""


class VirtualClock(QueueClock):
    """Flight time that moves by jumps."""

    kind: ClockKind = "lockstep"

    def __init__(self) -> None:
        super().__init__()
        self.epoch_us = VIRTUAL_EPOCH_US
        self.gate: Gate | None = None
        self._now_us = 0

    def now_us(self) -> int:
        """Flight time, whole microseconds."""
        return self._now_us

    def advance_to(self, when_us: int) -> None:
        """Moves time on to what a script reported; never back, and never past what is due."""
        due_us = self.queue.next_us()
        limit_us = when_us if due_us is None else min(when_us, due_us)
        self._now_us = max(self._now_us, limit_us)

    def watch(self, file_descriptor: int, readable: Callable[[], None]) -> None:
        """Not on this clock: in lockstep, traffic is counted, not watched for. Raises HarnessFault."""
        raise HarnessFault(f"descriptor {file_descriptor} cannot be watched on a virtual clock")

    def unwatch(self, file_descriptor: int) -> None:
        """Harmless, so that endpoints close alike on both clocks."""

    def _wait(self, *, block: bool) -> list[tuple[selectors.SelectorKey, int]]:
        if block:
            while not self._loop.woken:
                self._check_stop()
                self._step()
        return []

    def _step(self) -> None:
        """One event, or one grant."""
        gate = self.gate
        wake_us = NEVER_US
        if gate is not None:
            if gate.busy:
                gate.settle()
                if self._loop.woken:
                    return
            wake_us = gate.wake_us
        due_us = self.queue.next_us()
        if due_us is not None and due_us <= wake_us:
            self._now_us = max(self._now_us, due_us)
            self.queue.pop()()
            return
        if gate is None or wake_us >= NEVER_US:
            raise HarnessFault("everything waits and nothing is due: the flight can never end")
        self._now_us = max(self._now_us, wake_us)
        horizon_us = self._now_us + HORIZON_US_MAX if due_us is None else due_us
        gate.grant(self._now_us, horizon_us)

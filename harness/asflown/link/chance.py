"""Uniform numbers for an emulated radio; from a second seed from a flight time on, where that is asked for."""

from __future__ import annotations

from random import Random as Mersenne

from asflown.clock.base import Clock
from asflown.link.burst_loss import Random
from asflown.scenario.model import Chance


def drawn_from(purpose: str, seed: int, chance: Chance | None, clock: Clock) -> Random:
    """The numbers for one purpose (`radio up`) of the flight with this seed."""
    first = Mersenne(f"{purpose} {seed}")
    if chance is None:
        return first
    return _Renewed(first, Mersenne(f"{purpose} anew {chance.seed}"), round(chance.anew_at_s * 1e6), clock)


class _Renewed:
    """Numbers of `first` up to and including a flight time, of `then` after it. No timer is needed for it."""

    def __init__(self, first: Random, then: Random, until_us: int, clock: Clock) -> None:
        self._first, self._then, self._until_us, self._clock = first, then, until_us, clock

    def random(self) -> float:
        """The next one."""
        return (self._first if self._clock.now_us() <= self._until_us else self._then).random()

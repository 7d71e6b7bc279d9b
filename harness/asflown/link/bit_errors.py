"""Bits that flip on the air, each by itself with the same probability, and what a receiver makes of the frame then.

The receiver finds out by the checksum, as MAVLink has it. A frame of a message that nobody knows is handed on damaged,
since its checksum cannot be computed; so is a frame whose message number was hit, and became one that nobody knows.
"""

from __future__ import annotations

import math

from asflown.link.burst_loss import Random
from asflown.link.wire import FrameReader


class BitErrors:
    """Damages frames; a probability of 0 draws nothing."""

    __slots__ = ("_generator", "_log_good", "probability")

    def __init__(self, probability: float, generator: Random) -> None:
        """`probability` is for one bit, below 1; `generator` is used by nobody else but the same lane's loss."""
        self.probability, self._generator = probability, generator
        self._log_good = math.log1p(-probability) if probability else 0.0

    def flipped(self, bits: int) -> list[int]:
        """Which of so many bits flip, in rising order. Draws once more than there are."""
        if not self.probability:
            return []
        places: list[int] = []
        at = self._gap()
        while at < bits:
            places.append(at)
            at += 1 + self._gap()
        return places

    def _gap(self) -> int:
        """How many bits stay good until the next that flips: geometric, by inversion."""
        return int(math.log1p(-self._generator.random()) / self._log_good)


def received(frame: bytes, overhead_bytes: int, flipped: list[int]) -> list[bytes]:
    """What a receiver takes for frames: nothing, nearly always. A bit of the radio's own framing spoils all of it."""
    if flipped[0] < 8 * overhead_bytes:
        return []
    damaged = bytearray(frame)
    for place in flipped:
        at, bit = divmod(place - 8 * overhead_bytes, 8)
        damaged[at] ^= 1 << bit
    return FrameReader().feed(bytes(damaged))

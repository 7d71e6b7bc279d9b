"""What a real radio or serial port can take: frames for the vehicle leave no faster, so that none waits behind others.

A port's own buffers keep frames in the order they came, the oldest first; whatever waits must therefore wait in the
uplink, where the urgent overtake the rest. The rate is the serial port's, or that of the radio behind it where that is
lower. A radio that reports its free buffer (RADIO_STATUS) is believed: below a quarter the rate is halved, below a
tenth nothing leaves for a moment. Both thresholds: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

from asflown.clock.base import Clock
from asflown.link import wire
from asflown.link.air import Air
from asflown.link.profile import LaneProfile
from asflown.url import Url

LOW_PER_CENT, VERY_LOW_PER_CENT = 25, 10
HOLD_US = 200_000
BITS_PER_BYTE = 10
"""On a serial line: a start bit, eight data bits and a stop bit (8N1)."""
_TXBUF_AT = 6
"""Of RADIO_STATUS, behind two 16-bit counts and the two signal strengths."""


class Budget:
    """Paces what goes up to a real vehicle."""

    limited = True

    def __init__(self, clock: Clock, rate_bytes_per_s: int, overhead_bytes: int = 0) -> None:
        """`overhead_bytes` is what each frame takes beside its own bytes."""
        self._clock, self._overhead = clock, overhead_bytes
        self.rate_bytes_per_s = rate_bytes_per_s
        self._air = Air(rate_bytes_per_s)
        self._low = False
        self._hold_until_us = 0
        self.deliver: Callable[[bytes], None] = lambda frame: None
        """Hands a frame to the vehicle's endpoint; set by the hub."""
        self.times_low = 0
        """How often the radio's buffer was reported to be low."""

    def send(self, frame: bytes) -> None:
        """Hands a frame on and takes note of the room it takes."""
        size = len(frame) + self._overhead
        self._air.leaves_us(self._clock.now_us(), 2 * size if self._low else size)
        self.deliver(frame)

    def free_us(self) -> int:
        """From when on the next frame need not wait."""
        return max(self._air.free_us(self._clock.now_us()), self._hold_until_us)

    def heard_status(self, frame: bytes) -> None:
        """Takes a RADIO_STATUS of the radio."""
        free_per_cent = wire.payload(frame).ljust(9, b"\0")[_TXBUF_AT]
        self._low = free_per_cent < LOW_PER_CENT
        self.times_low += self._low
        if free_per_cent < VERY_LOW_PER_CENT:
            self._hold_until_us = self._clock.now_us() + HOLD_US


def budget_for(url: Url, radio: LaneProfile | None, clock: Clock) -> Budget | None:
    """The budget of a vehicle at `url` with a real `radio` in between; None when neither has a rate."""
    rates = [url.baud // BITS_PER_BYTE] if url.kind == "serial" else []
    overhead = 0
    if radio is not None and radio.rate_bytes_per_s is not None:
        rates.append(radio.rate_bytes_per_s)
        overhead = radio.overhead_bytes
    return Budget(clock, min(rates), overhead) if rates else None

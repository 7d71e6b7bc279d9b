"""One direction of an emulated radio: rate, latency, jitter, loss in bursts, flipped bits, a buffer that overflows.

Frames come out in order. Every frame taken is delivered, lost, damaged, or dropped where the buffer was full, and is
counted as that. A transparent lane hands frames on at once, within the call.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from functools import partial

from asflown.clock.base import Clock
from asflown.link.air import Air
from asflown.link.bit_errors import BitErrors, received
from asflown.link.burst_loss import BurstLoss, Random
from asflown.link.profile import LaneProfile
from asflown.link.shared_air import SharedAir

_US_PER_S = 1_000_000


def _nobody(_frame: bytes) -> None:
    """Where frames go before the hub has said where."""


class Lane:
    """One direction of a radio, with an air of its own or a side of a shared one."""

    def __init__(
        self,
        profile: LaneProfile,
        clock: Clock,
        generator: Random,
        in_shadow: Callable[[int], bool],
        shared: tuple[SharedAir, int] | None = None,
    ) -> None:
        """`generator` is used by nobody else; `in_shadow` tells whether what leaves at a flight time is lost.

        `shared` is the air of a half-duplex radio and this lane's side of it.
        """
        self._clock, self._profile, self._generator = clock, profile, generator
        self._in_shadow = in_shadow
        self.deliver: Callable[[bytes], None] = _nobody
        """What to do with frames that came through; set by the hub."""
        self._transparent = profile.transparent and shared is None
        self._air = Air(profile.rate_bytes_per_s, profile.burst_bytes)
        self._shared = shared
        self._latency_us = round(profile.latency_s * _US_PER_S)
        self._jitter_us = round(profile.jitter_s * _US_PER_S)
        loss = profile.loss
        self._loss = BurstLoss(
            loss.good_to_bad,
            loss.bad_to_good,
            generator,
            loss_in_good=loss.in_good,
            loss_in_bad=loss.in_bad,
        )
        self._bit_errors = BitErrors(profile.bit_errors, generator)
        self._last_arrival_us = 0
        self._arrivals_us: deque[int] = deque()
        """When the frames arrive that have left, in order."""
        self._open = True
        self.frames_taken = self.frames_delivered = self.frames_lost = self.frames_overflowed = 0
        self.frames_damaged = 0

    def send(self, frame: bytes) -> None:
        """Takes a frame on: it is delivered now or later, lost on the air, or dropped where the buffer is full."""
        self.frames_taken += 1
        now_us = self._clock.now_us()
        if self._transparent:
            self._arrive(frame, now_us, lost=False, flipped=[])
            return
        size = len(frame) + self._profile.overhead_bytes
        if self._overflows(now_us, size):
            self.frames_overflowed += 1
        elif self._shared is None:
            self._on_air(frame, self._air.leaves_us(now_us, size))
        else:
            air, side = self._shared
            air.put(side, size, partial(self._on_air, frame))

    @property
    def limited(self) -> bool:
        """Whether frames may have to wait for those before them."""
        return self._profile.rate_bytes_per_s is not None

    def free_us(self) -> int:
        """From when on a frame need not wait for those before it, as far as can be known now."""
        if self._shared is not None:
            air, side = self._shared
            return air.free_us(side)
        return self._air.free_us(self._clock.now_us())

    def waiting_bytes(self) -> int:
        """What is in the buffer, overhead included."""
        if self._shared is not None:
            air, side = self._shared
            return air.waiting_bytes(side)
        return self._air.waiting_bytes(self._clock.now_us())

    @property
    def is_bad(self) -> bool:
        """Whether the channel is in its bad state."""
        return self._loss.is_bad

    @property
    def buffer_free_per_cent(self) -> int:
        """How much of the buffer is free; 100 where it has no end."""
        room = self._profile.buffer_bytes
        return 100 if not room else max(0, 100 - 100 * self.waiting_bytes() // room)

    def quiet_until_us(self) -> int:
        """Before this flight time nothing comes out, whatever is sent from now on."""
        now_us = self._clock.now_us()
        if self._transparent:
            return now_us
        soonest_us = now_us + self._latency_us
        return min(soonest_us, self._arrivals_us[0]) if self._arrivals_us else soonest_us

    def close(self) -> None:
        """What is on its way never arrives."""
        self._open = False

    def counters(self) -> dict[str, int]:
        """Of frames: taken = delivered + lost + damaged + overflowed + under_way."""
        ended = self.frames_delivered + self.frames_lost + self.frames_damaged + self.frames_overflowed
        return {
            "frames_taken": self.frames_taken,
            "frames_delivered": self.frames_delivered,
            "frames_lost": self.frames_lost,
            "frames_damaged": self.frames_damaged,
            "frames_overflowed": self.frames_overflowed,
            "frames_under_way": self.frames_taken - ended,
        }

    def _overflows(self, now_us: int, size: int) -> bool:
        room = self._profile.buffer_bytes
        if room is None:
            return False
        waiting = self._air.waiting_bytes(now_us) if self._shared is None else self.waiting_bytes()
        return waiting + size > room

    def _on_air(self, frame: bytes, left_us: int) -> None:
        """The frame leaves at `left_us`, now or later; its fate is drawn in the order of leaving."""
        delay_us = self._latency_us
        if self._jitter_us:
            delay_us += int(self._generator.random() * (self._jitter_us + 1))
        self._last_arrival_us = max(self._last_arrival_us, left_us + delay_us)
        lost = self._loss.loses()
        flipped = self._bit_errors.flipped(8 * (len(frame) + self._profile.overhead_bytes))
        self._arrivals_us.append(self._last_arrival_us)
        self._clock.call_at(
            self._last_arrival_us, partial(self._come_out, frame, left_us, lost=lost, flipped=flipped)
        )

    def _come_out(self, frame: bytes, left_us: int, *, lost: bool, flipped: list[int]) -> None:
        self._arrivals_us.popleft()
        self._arrive(frame, left_us, lost=lost, flipped=flipped)

    def _arrive(self, frame: bytes, left_us: int, *, lost: bool, flipped: list[int]) -> None:
        if not self._open:
            return
        if lost or self._in_shadow(left_us):
            self.frames_lost += 1
            return
        if not flipped:
            self.frames_delivered += 1
            self.deliver(frame)
            return
        frames = received(frame, self._profile.overhead_bytes, flipped)
        if not frames:
            self.frames_damaged += 1
        else:
            self.frames_delivered += 1
        for one in frames:
            self.deliver(one)

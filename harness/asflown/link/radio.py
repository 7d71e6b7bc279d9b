"""An emulated radio in front of a simulated vehicle: rate, latency, jitter, loss in bursts, a buffer that overflows.

The same on every clock; equal seeds and equal frames at equal times give equal results. Each direction is a lane of
its own with a generator of its own, so what goes up never changes what is lost on the way down. A lane keeps frames
in order. An ideal radio hands frames on at once, within the call.

Both lanes have the air to themselves: half-duplex turn-around, bit errors and RADIO_STATUS come with a later issue,
which is where `Air` will be shared by the lanes.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from asflown.clock.base import Clock
from asflown.link.burst_loss import BurstLoss, Random
from asflown.link.profile import LaneProfile, RadioProfile, load_profile

__all__ = ["Air", "Lane", "Radio", "RadioProfile", "load_profile"]

_US_PER_S = 1_000_000


class Air:
    """When bytes leave at a limited rate, after a token bucket of a given depth.

    Exact: time is counted in whole fractions 1/rate of a microsecond. In any time t, at most depth + rate * t bytes
    leave, to which a frame counts when its last byte has left.
    """

    __slots__ = ("_burst", "_due", "_rate")

    def __init__(self, rate_bytes_per_s: int | None, burst_bytes: int = 0) -> None:
        self._rate = rate_bytes_per_s or 0
        self._burst = burst_bytes * _US_PER_S
        self._due = 0
        """When everything so far would have left at the bare rate, in 1/rate microseconds."""

    def leaves_us(self, now_us: int, size_bytes: int) -> int:
        """Takes `size_bytes` on; when the last of them has left."""
        if not self._rate:
            return now_us
        self._due = max(self._due, now_us * self._rate) + size_bytes * _US_PER_S
        return max(now_us, -((self._burst - self._due) // self._rate))

    def waiting_bytes(self, now_us: int) -> int:
        """How many bytes have been taken on and have not left, rounded up."""
        ahead = self._due - self._burst - now_us * self._rate
        return max(0, -(-ahead // _US_PER_S))

    def free_us(self, now_us: int) -> int:
        """When all that was taken on has left: from then on the next frame need not wait."""
        if not self._rate:
            return now_us
        return max(now_us, -((self._burst - self._due) // self._rate))


def _nobody(_frame: bytes) -> None:
    """Where frames go before the hub has said where."""


class Lane:
    """One direction of a radio."""

    def __init__(
        self,
        profile: LaneProfile,
        clock: Clock,
        generator: Random,
        in_shadow: Callable[[int], bool],
    ) -> None:
        """`generator` is used by nobody else; `in_shadow` tells whether what leaves at a flight time is lost."""
        self._clock, self._profile, self._generator = clock, profile, generator
        self._in_shadow = in_shadow
        self.deliver: Callable[[bytes], None] = _nobody
        """What to do with frames that came through; set by the hub."""
        self._transparent = profile.transparent
        self._air = Air(profile.rate_bytes_per_s, profile.burst_bytes)
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
        self._last_arrival_us = 0
        self._open = True
        self.frames_taken = self.frames_delivered = self.frames_lost = self.frames_overflowed = 0

    def send(self, frame: bytes) -> None:
        """Takes a frame on: it is delivered now or later, lost on the air, or dropped where the buffer is full."""
        self.frames_taken += 1
        if self._transparent:
            self._arrive(frame, self._clock.now_us(), lost=False)
            return
        now_us = self._clock.now_us()
        size = len(frame) + self._profile.overhead_bytes
        if self._overflows(now_us, size):
            self.frames_overflowed += 1
            return
        left_us = self._air.leaves_us(now_us, size)
        delay_us = self._latency_us
        if self._jitter_us:
            delay_us += int(self._generator.random() * (self._jitter_us + 1))
        self._last_arrival_us = max(self._last_arrival_us, left_us + delay_us)
        lost = self._loss.loses()
        self._clock.call_at(self._last_arrival_us, partial(self._arrive, frame, left_us, lost=lost))

    @property
    def limited(self) -> bool:
        """Whether frames may have to wait for those before them."""
        return self._profile.rate_bytes_per_s is not None

    def free_us(self) -> int:
        """From when on a frame need not wait for those before it."""
        return self._air.free_us(self._clock.now_us())

    def close(self) -> None:
        """What is on its way never arrives."""
        self._open = False

    def counters(self) -> dict[str, int]:
        """frames_taken = frames_delivered + frames_lost + frames_overflowed + frames_under_way."""
        ended = self.frames_delivered + self.frames_lost + self.frames_overflowed
        return {
            "frames_taken": self.frames_taken,
            "frames_delivered": self.frames_delivered,
            "frames_lost": self.frames_lost,
            "frames_overflowed": self.frames_overflowed,
            "frames_under_way": self.frames_taken - ended,
        }

    def _overflows(self, now_us: int, size: int) -> bool:
        room = self._profile.buffer_bytes
        return room is not None and self._air.waiting_bytes(now_us) + size > room

    def _arrive(self, frame: bytes, left_us: int, *, lost: bool) -> None:
        if not self._open:
            return
        if lost or self._in_shadow(left_us):
            self.frames_lost += 1
            return
        self.frames_delivered += 1
        self.deliver(frame)


class Radio:
    """Both lanes; the hub says where each delivers to."""

    def __init__(self, profile: RadioProfile, clock: Clock, *, up: Random, down: Random) -> None:
        """`up` and `down` are generators of the flight's seed, one for each lane and nothing else."""
        self.profile = profile
        self._shadows: list[tuple[int, int | None]] = []
        self.up = Lane(profile.up_lane, clock, up, self._in_shadow)
        self.down = Lane(profile.down_lane, clock, down, self._in_shadow)

    def shadow(self, from_us: int, until_us: int | None = None) -> None:
        """Loses all that leaves, either way, from one flight time up to another, or for good."""
        self._shadows.append((from_us, until_us))

    def close(self) -> None:
        """What is on its way never arrives."""
        self.up.close()
        self.down.close()

    def counters(self) -> dict[str, int]:
        """Of both lanes: `up.frames_taken` and so on."""
        lanes = (("up", self.up), ("down", self.down))
        return {f"{name}.{key}": count for name, lane in lanes for key, count in lane.counters().items()}

    def _in_shadow(self, at_us: int) -> bool:
        return any(start <= at_us and (end is None or at_us < end) for start, end in self._shadows)

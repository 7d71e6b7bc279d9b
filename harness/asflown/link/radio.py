"""An emulated radio in front of a simulated vehicle: two lanes, one air or two, and what the radio says of itself.

The same on every clock; equal seeds and equal frames at equal times give equal results. Each direction has a generator
of its own, so on a full-duplex radio what goes up never changes what is lost on the way down.
"""

from __future__ import annotations

from collections.abc import Callable

from asflown.clock.base import Clock, Timer
from asflown.link.burst_loss import Random
from asflown.link.lane import Lane
from asflown.link.profile import RadioProfile, load_profile
from asflown.link.radio_status import StatusWriter
from asflown.link.shared_air import SharedAir

__all__ = ["Radio", "RadioProfile", "load_profile"]

_UP, _DOWN = 0, 1
_US_PER_S = 1_000_000


class Radio:
    """Both lanes; the hub says where each delivers to."""

    def __init__(self, profile: RadioProfile, clock: Clock, *, up: Random, down: Random) -> None:
        """`up` and `down` are generators of the flight's seed, one for each lane and nothing else."""
        self.profile, self._clock = profile, clock
        self._shadows: list[tuple[int, int | None]] = []
        air = _shared_air(profile, clock)
        up_side, down_side = ((air, _UP), (air, _DOWN)) if air is not None else (None, None)
        self.up = Lane(profile.up_lane, clock, up, self._in_shadow, up_side)
        self.down = Lane(profile.down_lane, clock, down, self._in_shadow, down_side)
        self._status = StatusWriter(profile.status) if profile.status is not None else None
        self._timer: Timer | None = None
        self._report_us = 0
        self._report_every_us = 0 if profile.status is None else round(profile.status.every_s * _US_PER_S)

    def deliver(self, *, up: Callable[[bytes], None], down: Callable[[bytes], None]) -> None:
        """Says where frames go that came through; each side's radio also says there how it fares."""
        self.up.deliver, self.down.deliver = up, down

    def take_down(self, frame: bytes) -> None:
        """Takes a frame of the vehicle on. With the first one, the radios begin to report."""
        if self._status is not None and self._timer is None:
            self._status.use_system_of(frame)
            self._plan()
        self.down.send(frame)

    def shadow(self, from_us: int, until_us: int | None = None) -> None:
        """Loses all that leaves, either way, from one flight time up to another, or for good."""
        self._shadows.append((from_us, until_us))

    def quiet_up_until_us(self) -> int:
        """Before this flight time nothing comes out at the vehicle, whatever is sent from now on."""
        quiet_us = self.up.quiet_until_us()
        if self._status is None:
            return quiet_us
        return min(quiet_us, self._next_report_us())

    def close(self) -> None:
        """What is on its way never arrives."""
        self.up.close()
        self.down.close()
        if self._timer is not None:
            self._timer.cancel()

    def counters(self) -> dict[str, int]:
        """Of both lanes: `up.frames_taken` and so on; `status_frames` with a radio that reports."""
        lanes = (("up", self.up), ("down", self.down))
        counted = {f"{name}.{key}": count for name, lane in lanes for key, count in lane.counters().items()}
        if self._status is not None:
            counted["status_frames"] = self._status.frames_made
        return counted

    def _plan(self) -> None:
        self._report_us = self._clock.now_us() + self._report_every_us
        self._timer = self._clock.call_at(self._report_us, self._report)

    def _next_report_us(self) -> int:
        """When the radios report next, or would if the vehicle were heard now."""
        return self._clock.now_us() + self._report_every_us if self._timer is None else self._report_us

    def _report(self) -> None:
        """RADIO_STATUS of the ground's radio to the ground, and of the vehicle's to the vehicle."""
        assert self._status is not None
        self._plan()
        dark = self._in_shadow(self._clock.now_us())
        self.down.deliver(self._status.frame(self.down, self.up, dark=dark))
        self.up.deliver(self._status.frame(self.up, self.down, dark=dark))

    def _in_shadow(self, at_us: int) -> bool:
        return any(start <= at_us and (end is None or at_us < end) for start, end in self._shadows)


def _shared_air(profile: RadioProfile, clock: Clock) -> SharedAir | None:
    half = profile.half_duplex
    up, down = profile.up_lane.rate_bytes_per_s, profile.down_lane.rate_bytes_per_s
    if half is None or up is None or down is None:
        return None
    return SharedAir(
        clock, (up, down), round(half.turn_around_s * _US_PER_S), round(half.window_s * _US_PER_S)
    )

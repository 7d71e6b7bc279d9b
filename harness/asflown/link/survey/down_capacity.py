"""How much comes down when the vehicle has more to say than the link can carry.

Two mixes of messages, small ones and large ones, are made more frequent step by step, at most twice as much each time,
until frames go missing or grow late. Then the link is left alone for some seconds: what arrives is what it can carry.
From both mixes follow the rate on the air and the overhead of each frame: bytes + overhead * frames = rate * time.

A frame that is lost on the air has taken its time there, and one that found the buffer full has not; which is which
cannot be seen. So the time that frames take is the median over short stretches of them: most have no loss.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asflown.clock.base import Clock
from asflown.link.survey.ears import Ears, Heard
from asflown.link.survey.sequence import lost_between
from asflown.link.survey.streams import OFF_US, Streams
from asflown.link.survey.voice import FILLER_BYTES_MOST, Voice

INTERVALS_US = (100_000, 50_000, 20_000, 10_000)
LATER_INTERVALS_US = (20_000, 10_000)
"""For a message that is added to others that come as often as they can."""
SETTLE_US, LOOK_US, HOLD_US = 1_000_000, 1_000_000, 8_000_000
HOLDS_AT_MOST, ENOUGH_FRAMES = 4, 400
"""A slow link is held again, until enough has come."""
STRETCH_FRAMES = 16
BOTH_WAYS_US = 3_000_000
TOO_MANY_LOST = 0.15
BASE_PROBES, QUEUE_PROBES = 5, 4
TOO_LATE_US = 200_000
DRAIN_US = 30_000_000
APART_BYTES = 8
"""Mixes whose mean sizes are nearer than this do not tell overhead from rate."""
HALF_DUPLEX_BELOW = 0.8


@dataclass(frozen=True, slots=True)
class Carried:
    """What arrived within a time in which the link was full, and how long that took on the air."""

    frames: int
    bytes: int
    seconds: float

    @property
    def mean_bytes(self) -> float:
        """Mean size of a frame."""
        return self.bytes / self.frames


@dataclass(frozen=True, slots=True)
class DownCapacity:
    """`full`: for each mix that filled the link. `most`: the fullest that was seen, bytes a second without overhead."""

    full: tuple[Carried, ...]
    most_bytes_per_s: float
    deepest_queue_us: int
    """How late frames were at most while the link was full: what waited in buffers."""
    share_while_up_is_full: float | None
    """What comes down while as much as possible goes up, as a share of what comes down alone."""


@dataclass(frozen=True, slots=True)
class Rate:
    """`bytes_per_s` on the air, of which each frame takes `overhead_bytes` more than its own."""

    bytes_per_s: float
    overhead_bytes: float


def rate_of(full: tuple[Carried, ...]) -> Rate | None:
    """Rate and overhead; None when the link was never full."""
    if not full:
        return None
    small, large = full[0], full[-1]
    if large.mean_bytes - small.mean_bytes < APART_BYTES:
        return Rate(large.bytes / large.seconds, 0.0)
    per_small, per_large = small.seconds / small.frames, large.seconds / large.frames
    rate = (large.mean_bytes - small.mean_bytes) / (per_large - per_small) if per_large > per_small else 0.0
    overhead = rate * per_large - large.mean_bytes
    if rate <= 0 or overhead < 0:
        return Rate(large.bytes / large.seconds, 0.0)
    return Rate(rate, overhead)


class DownSurvey:
    """Fills the link from above; all streams of the vehicle are quiet when it begins, and again when it ends."""

    def __init__(self, clock: Clock, voice: Voice, ears: Ears, streams: Streams) -> None:
        self._clock, self._voice, self._ears, self._streams = clock, voice, ears, streams
        self._base_us = 0
        self._most = 0.0
        self._deepest_us = 0
        self._both: float | None = None

    async def run(self, sizes: dict[int, float]) -> DownCapacity:
        """`sizes`: mean frame size of each message that may be made more frequent. Raises VehicleArmed."""
        self._base_us = await self._usual_round_trip()
        by_size = sorted(sizes, key=lambda message: (sizes[message], message))
        full = []
        for mix in (by_size, by_size[::-1]):
            carried = await self._fill(mix)
            if carried is not None:
                full.append(carried)
        return DownCapacity(tuple(full), self._most, self._deepest_us, self._both)

    async def _fill(self, mix: list[int]) -> Carried | None:
        """Raises the messages of a mix one after the other until the link is full; then holds."""
        raised: list[int] = []
        try:
            for message in mix:
                raised.append(message)
                for interval_us in LATER_INTERVALS_US if len(raised) > 1 else INTERVALS_US:
                    if not await self._streams.set(message, interval_us):
                        break
                    if await self._is_full() and await self._is_full():
                        carried = await self._hold()
                        if carried is not None:
                            return carried
            return None
        finally:
            for message in raised:
                await self._streams.set(message, OFF_US)
            await self._drain()

    async def _is_full(self) -> bool:
        await self._sleep(SETTLE_US)
        start = len(self._ears.frames)
        await self._sleep(LOOK_US)
        window = self._ears.frames[start:]
        if len(window) < 2:
            return False
        self._note_most(window)
        lost = lost_between(window)
        if lost > TOO_MANY_LOST * (lost + len(window)):
            return True
        return await self._round_trip() > self._base_us + TOO_LATE_US

    async def _hold(self) -> Carried | None:
        """Says nothing while frames arrive; with the first mix, also what is left when the way up is full.

        None when it turns out that the link was not full: a burst of losses had looked like it.
        """
        start = len(self._ears.frames)
        for _ in range(HOLDS_AT_MOST):
            await self._sleep(HOLD_US)
            if len(self._ears.frames) - start >= ENOUGH_FRAMES:
                break
        window = self._ears.frames[start:]
        carried = without_losses(window)
        self._note_most(window)
        late_us = max([await self._round_trip() for _ in range(QUEUE_PROBES)]) - self._base_us
        lost = lost_between(window)
        if lost < TOO_MANY_LOST * (lost + len(window)) and late_us < TOO_LATE_US:
            return None
        self._deepest_us = max(self._deepest_us, late_us)
        if self._both is None:
            alone = carried.bytes / carried.seconds
            self._both = (await self._with_up_full(alone)) / alone
        return carried

    async def _with_up_full(self, bytes_per_s: float) -> float:
        start = len(self._ears.frames)
        end_us = self._clock.now_us() + BOTH_WAYS_US
        while self._clock.now_us() < end_us:
            size = self._voice.filler(FILLER_BYTES_MOST)
            await self._sleep(max(1_000, round(1e6 * size / bytes_per_s)))
        window = self._ears.frames[start:]
        if len(window) < 2:
            return 0.0
        carried = _carried(window)
        return carried.bytes / carried.seconds

    async def _drain(self) -> None:
        """Waits until what was queued has come."""
        end_us = self._clock.now_us() + DRAIN_US
        while self._clock.now_us() < end_us:
            if await self._round_trip() < self._base_us + TOO_LATE_US // 4:
                return

    async def _usual_round_trip(self) -> int:
        """Of several, the one in the middle."""
        found = [await self._voice.round_trip_us() for _ in range(BASE_PROBES)]
        answered = sorted(one for one in found if one is not None)
        return answered[len(answered) // 2] if answered else 0

    async def _round_trip(self) -> int:
        found = await self._voice.round_trip_us()
        if found is None:
            found = await self._voice.round_trip_us()
        return self._base_us if found is None else found

    def _note_most(self, window: list[Heard]) -> None:
        if len(window) > 1:
            carried = _carried(window)
            self._most = max(self._most, carried.bytes / carried.seconds)

    async def _sleep(self, duration_us: int) -> None:
        await self._clock.sleep_until(self._clock.now_us() + duration_us)


def _carried(window: list[Heard]) -> Carried:
    """From the first arrival to the last: all that came after the first."""
    seconds = (window[-1].time_us - window[0].time_us) / 1e6
    return Carried(len(window) - 1, sum(heard.size_bytes for heard in window[1:]), max(seconds, 1e-6))


def without_losses(window: list[Heard]) -> Carried:
    """As `_carried`, with the time of all frames made from the median of the stretches."""
    plain = _carried(window)
    stretch = min(STRETCH_FRAMES, max(1, plain.frames // 4))
    times_us = np.array([heard.time_us for heard in window], dtype=float)
    per_frame_us = float(np.median(times_us[stretch:] - times_us[:-stretch])) / stretch
    return Carried(plain.frames, plain.bytes, max(1e-6, per_frame_us * plain.frames / 1e6))

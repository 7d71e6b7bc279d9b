"""How much goes up, from how late the last frame of a train arrives.

A train is a number of frames that nobody takes, sent at once, and a TIMESYNC behind them. Its answer tells the
vehicle's time when it arrived there, so what happens on the way down does not matter. A train of B bytes in N frames
takes (B + overhead * N) / rate; trains of large and of small frames, and a TIMESYNC alone, tell the rate and the
overhead. Where that is nearly the overhead of the way down, which is better known, it is taken for the same: the two
radios of a link frame alike. Each train is sent many times, and the quickest third of each kind is used, because
whatever else is on the link makes a train later and never earlier.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asflown.clock.base import Clock
from asflown.link.survey.down_capacity import APART_BYTES, Rate
from asflown.link.survey.ears import Ears
from asflown.link.survey.streams import VehicleArmed
from asflown.link.survey.voice import FILLER_BYTES_MOST, Voice

TRAIN_S, SLOW_TRAIN_S, SLOW_BYTES_PER_S = 0.25, 0.5, 2_500
"""How long a train should take; longer on a slow link, where all else takes longer, too."""
SHORTEST_BYTES, LONGEST_BYTES = 300, 16_384
REPEATS = 36
SMALL_BYTES = 40
ALIKE_BYTES = 6.0
RESOLVED_S = 0.05
"""A train that takes less than this is made longer: the vehicle's own steps blur it."""
ANSWER_WAIT_US = 4_000_000
PAUSE_US = 60_000
_GOLDEN = 0.6180339887498949


@dataclass(frozen=True, slots=True)
class Train:
    """One that was answered: its load before the TIMESYNC, and how late that was, by the vehicle's clock."""

    frames: int
    bytes: int
    late_us: float


class UpSurvey:
    """Sends trains while the vehicle's streams are quiet."""

    def __init__(self, clock: Clock, voice: Voice, ears: Ears) -> None:
        self._clock, self._voice, self._ears = clock, voice, ears
        self._sent = 0

    async def run(self, guess_bytes_per_s: float, overhead_down_bytes: float | None) -> Rate | None:
        """The rate up; None when even the longest train takes no time worth mentioning. Raises VehicleArmed.

        `guess_bytes_per_s` is for the length of the first trains.
        """
        train_s = SLOW_TRAIN_S if guess_bytes_per_s < SLOW_BYTES_PER_S else TRAIN_S
        load = min(max(round(guess_bytes_per_s * train_s), SHORTEST_BYTES), LONGEST_BYTES)
        shorter = False
        while True:
            trains = await self._series(load)
            alone, large = _quickest(trains, 0), _quickest(trains, 1)
            if (
                alone is None or large is None
            ):  # it did not come through: the buffer is smaller than the train
                if load <= SHORTEST_BYTES:
                    return None
                load, shorter = max(SHORTEST_BYTES, load // 2), True
            elif (large.late_us - alone.late_us) / 1e6 >= RESOLVED_S:
                return _rate_from(alone, large, _quickest(trains, 2), overhead_down_bytes)
            elif shorter or load >= LONGEST_BYTES:
                return None
            else:
                load = min(2 * load, LONGEST_BYTES)

    async def _series(self, load: int) -> list[list[Train]]:
        """Trains of each kind, taking turns: nothing, large frames, small frames."""
        kinds: list[list[Train]] = [[], [], []]
        for _ in range(REPEATS):
            for kind, size in enumerate((0, FILLER_BYTES_MOST, SMALL_BYTES)):
                train = await self._one(load, size)
                if train is not None:
                    kinds[kind].append(train)
        return kinds

    async def _one(self, load: int, size: int) -> Train | None:
        if self._ears.armed:
            raise VehicleArmed
        frames = carried = 0
        while size and carried < load:
            carried += self._voice.filler(size)
            frames += 1
        asked_ns = self._voice.probe()
        until_us = self._clock.now_us() + ANSWER_WAIT_US
        while asked_ns not in self._ears.answers and self._clock.now_us() < until_us:
            await self._sleep(10_000)
        self._sent += 1
        await self._sleep(PAUSE_US + round(20_000 * (self._sent * _GOLDEN % 1)))
        answer = self._ears.answers.get(asked_ns)
        return None if answer is None else Train(frames, carried, (answer.vehicle_ns - asked_ns) / 1000)

    async def _sleep(self, duration_us: int) -> None:
        await self._clock.sleep_until(self._clock.now_us() + duration_us)


def _quickest(kinds: list[list[Train]], kind: int) -> Train | None:
    """The load of a kind and the mean lateness of its quickest third; None when not even half came through."""
    trains = kinds[kind]
    if len(trains) < REPEATS // 2:
        return None
    late_us = float(np.mean(sorted(train.late_us for train in trains)[: len(trains) // 3]))
    return Train(trains[0].frames, trains[0].bytes, late_us)


def _rate_from(alone: Train, large: Train, small: Train | None, overhead_down: float | None) -> Rate:
    time_large = (large.late_us - alone.late_us) / 1e6
    own = _solve(time_large, large, small, alone)
    overhead = own.overhead_bytes
    if overhead_down is not None and abs(overhead - overhead_down) < ALIKE_BYTES:
        overhead = overhead_down
    if overhead == own.overhead_bytes:
        return own
    return Rate((large.bytes + overhead * large.frames) / time_large, overhead)


def _solve(time_large: float, large: Train, small: Train | None, alone: Train) -> Rate:
    """Solves bytes + overhead * frames = rate * time for the two trains."""
    plain = Rate(large.bytes / time_large, 0.0)
    if small is None or large.bytes / large.frames - small.bytes / small.frames < APART_BYTES:
        return plain
    time_small = (small.late_us - alone.late_us) / 1e6
    matrix = np.array([[time_large, -large.frames], [time_small, -small.frames]])
    try:
        rate, overhead = np.linalg.solve(matrix, np.array([large.bytes, small.bytes]))
    except np.linalg.LinAlgError:
        return plain
    return Rate(float(rate), float(overhead)) if overhead >= 0 and rate > 0 else plain

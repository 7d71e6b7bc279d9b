"""A position measured outside the vehicle, as tracking cameras round an indoor place give it.

Each axis has white noise; the measurement arrives late, and says how late. Zero is where the craft stood at power-up.
"""

from __future__ import annotations

from collections import deque
from math import radians

import numpy as np

from asflown.scenario.model import PositionFeed as Sheet
from asflown.sim.interface import PositionFeed
from asflown.sim.noise import Rows

_TICK_S = 0.01
_YAW_DEVIATION_RAD = radians(1.0)

Vector = tuple[float, float, float]


class OutsidePosition:
    """Hand it the truth when a sample is due, and take what arrives; `lost`, set by a fault, stops it."""

    __slots__ = ("_delay_ticks", "_noise", "_period_ticks", "_sheet", "_under_way", "lost")

    def __init__(self, sheet: Sheet, generator: np.random.Generator) -> None:
        self._sheet, self._noise, self.lost = sheet, Rows(generator, 4), False
        self._period_ticks = max(1, round(sheet.every_s / _TICK_S))
        self._delay_ticks = round(sheet.delay_s / _TICK_S)
        self._under_way: deque[tuple[int, PositionFeed]] = deque()

    def renew(self, generator: np.random.Generator) -> None:
        """Its errors come from another generator from here on."""
        self._noise.renew(generator)

    def sample_due(self, tick: int) -> bool:
        """Whether it measures at this tick."""
        return tick % self._period_ticks == 0

    def sample(self, tick: int, ned_m: Vector, yaw_rad: float) -> None:
        """Measures the true position and heading."""
        n, e, d, y = self._noise.take()
        if self.lost:
            return
        sigma = self._sheet.error_m
        feed = PositionFeed(
            ned_m[0] + sigma * n, ned_m[1] + sigma * e, ned_m[2] + sigma * d,
            deviation_m=max(sigma, 0.005), age_s=self._delay_ticks * _TICK_S,
            yaw_rad=yaw_rad + _YAW_DEVIATION_RAD * y, yaw_deviation_rad=_YAW_DEVIATION_RAD,
        )  # fmt: skip
        self._under_way.append((tick + self._delay_ticks, feed))

    def delivered(self, tick: int) -> PositionFeed | None:
        """What arrives at this tick, if anything."""
        under_way = self._under_way
        return under_way.popleft()[1] if under_way and under_way[0][0] <= tick else None

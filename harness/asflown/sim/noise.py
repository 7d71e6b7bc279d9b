"""Random processes of sensors and weather, drawn in blocks so that the hot loop only reads lists.

All processes are stationary from their first value on.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, sqrt

import numpy as np

BLOCK = 512


def rows(generator: np.random.Generator, width: int) -> Iterator[list[float]]:
    """Endless rows of `width` independent standard normal values."""
    while True:
        yield from generator.standard_normal((BLOCK, width)).tolist()


class GaussMarkov:
    """First-order Gauss-Markov processes with one time constant, side by side.

    x[k+1] = f x[k] + s sqrt(1 - f^2) w with f = exp(-T / tau): the standard deviation s is kept exactly.
    """

    __slots__ = ("_noise", "driving", "factor", "values")

    def __init__(
        self,
        generator: np.random.Generator,
        sigmas: tuple[float, ...],
        time_constant_s: float,
        period_s: float,
    ) -> None:
        self._noise = rows(generator, len(sigmas))
        self.factor = exp(-period_s / time_constant_s)
        self.driving = [sigma * sqrt(1.0 - self.factor**2) for sigma in sigmas]
        self.values = [sigma * w for sigma, w in zip(sigmas, next(self._noise), strict=True)]

    def step(self) -> list[float]:
        """Moves on by one period and returns the new values (the same list object each time)."""
        factor, values = self.factor, self.values
        for index, (driving, w) in enumerate(zip(self.driving, next(self._noise), strict=True)):
            values[index] = factor * values[index] + driving * w
        return values

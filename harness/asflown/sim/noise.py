"""Random processes of sensors and weather, drawn in blocks so that the hot loop only reads lists.

All processes are stationary from their first value on.
"""

from __future__ import annotations

from math import exp, sqrt

import numpy as np

BLOCK = 512


class Rows:
    """Endless rows of `width` independent standard normal values, drawn a block at a time."""

    __slots__ = ("_at", "_block", "_generator", "_width")

    def __init__(self, generator: np.random.Generator, width: int) -> None:
        self._generator, self._width = generator, width
        self._block: list[list[float]] = []
        self._at = BLOCK

    def renew(self, generator: np.random.Generator) -> None:
        """Draws from another generator from the next row on."""
        self._generator, self._at = generator, BLOCK

    def take(self) -> list[float]:
        """The next row."""
        at = self._at
        if at == BLOCK:
            self._block = self._generator.standard_normal((BLOCK, self._width)).tolist()
            at = 0
        self._at = at + 1
        return self._block[at]


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
        self._noise = Rows(generator, len(sigmas))
        self.factor = exp(-period_s / time_constant_s)
        self.driving = [sigma * sqrt(1.0 - self.factor**2) for sigma in sigmas]
        self.values = [sigma * w for sigma, w in zip(sigmas, self._noise.take(), strict=True)]

    def renew(self, generator: np.random.Generator) -> None:
        """Is driven by another generator from here on; the values stay."""
        self._noise.renew(generator)

    def step(self) -> list[float]:
        """Moves on by one period and returns the new values (the same list object each time)."""
        factor, values, drivings, noise = self.factor, self.values, self.driving, self._noise.take()
        for index in range(len(values)):
            values[index] = factor * values[index] + drivings[index] * noise[index]
        return values

"""A Gaussian process through a few dozen values: what is known of them everywhere, and how well.

Each coordinate of the unit cube has a scale of its own, over which a value tells of its surroundings: one condition may
decide all, and another nothing. Scales and noise are the likeliest ones on a coarse grid, after a belief that keeps few
values from telling too much (Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, chapter 5, from
memory). Values are centred, with a variance of about 1. Equal values give equal answers.
"""

from __future__ import annotations

from itertools import product
from typing import TypeAlias

import numpy as np
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.spatial.distance import cdist

from asflown.frames import FloatArray

Shape: TypeAlias = tuple[int, ...]
"""Places in SCALES, one for each coordinate, and a last one in NOISES."""

SCALES = (0.08, 0.13, 0.2, 0.35, 0.6, 1.0, 2.0, 4.0)
NOISES = (1e-4, 1e-3, 1e-2, 0.1, 0.5)
"""What of the variance no coordinate explains."""
_SCALE, _NOISE = 3, 1
"""What is believed before anything is known,"""
_SPREAD_OF_SCALE, _SPREAD_OF_NOISE = 1.0, 4.0
"""and how firmly: standard deviations of the natural logarithm."""
_SWEEPS = 2


class Surface:
    """A process of this shape through these values (shapes: n×d and n); how far values spread follows from them."""

    def __init__(self, shape: Shape, known: FloatArray, scaled: FloatArray) -> None:
        self._scales = np.take(SCALES, shape[:-1])
        self._known = known / self._scales
        covariance = _alike(self._known, self._known) + NOISES[shape[-1]] * np.eye(len(known))
        self._root = cholesky(covariance, lower=True, check_finite=False)
        self._weights = cho_solve((self._root, True), scaled, check_finite=False)
        self._variance = float(scaled @ self._weights) / len(scaled)
        certain = float(np.log(np.diag(self._root)).sum())
        self.likely = _believed(shape) - 0.5 * len(scaled) * float(np.log(self._variance + 1e-12)) - certain
        """The logarithm of how likely shape and values are together, but for a constant."""

    def at(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and standard deviation of the value at points."""
        alike = _alike(points / self._scales, self._known)
        known = solve_triangular(self._root, alike.T, lower=True, check_finite=False)
        left = np.maximum(1e-12, 1.0 - np.sum(known * known, axis=0))
        return alike @ self._weights, np.sqrt(left * self._variance)


def _alike(points: FloatArray, others: FloatArray) -> FloatArray:
    """How much values at points go together: from 1 to 0."""
    return np.asarray(np.exp(-0.5 * cdist(points, others, "sqeuclidean")), np.float64)


def first_shape(dimensions: int) -> Shape:
    """What is believed before anything is known."""
    return (*[_SCALE] * dimensions, _NOISE)


def likelier(shape: Shape, known: FloatArray, scaled: FloatArray) -> Shape:
    """What the values make likelier than `shape`, step by step from it."""
    best = Surface(shape, known, scaled).likely
    for _ in range(_SWEEPS):
        before = shape
        for place, step in product(range(len(shape)), (-1, 1)):
            moved = (*shape[:place], shape[place] + step, *shape[place + 1 :])
            if not _is_shape(moved):
                continue
            likely = Surface(moved, known, scaled).likely
            if likely > best:
                best, shape = likely, moved
        if shape == before:
            break
    return shape


def _is_shape(places: Shape) -> bool:
    *scales, noise = places
    return all(0 <= one < len(SCALES) for one in scales) and 0 <= noise < len(NOISES)


def _believed(shape: Shape) -> float:
    """The logarithm of how much a shape is believed before any value is known."""
    scales = np.log(np.take(SCALES, shape[:-1]) / SCALES[_SCALE]) / _SPREAD_OF_SCALE
    noise = float(np.log(NOISES[shape[-1]] / NOISES[_NOISE])) / _SPREAD_OF_NOISE
    return -0.5 * (float(scales @ scales) + noise * noise)

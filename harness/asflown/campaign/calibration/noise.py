"""The quick noise of what a vehicle reports: what is left when smooth motion is taken away.

Third differences of samples at an even rate take away motion up to a parabola; for independent noise their standard
deviation is the noise's times the root of 20 (1 + 9 + 9 + 1). Slow errors, such as a receiver's that wander over a
minute, look like motion and do not show. Interval: moving-block bootstrap, percentiles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asflown.campaign.calibration.capture import Capture
from asflown.campaign.calibration.fit import CONFIDENCE, Estimate
from asflown.frames import FloatArray
from asflown.record.series import Series

_ROOT_20 = 20.0**0.5
_BLOCK_SAMPLES, _DRAWS, _SEED = 50, 400, 20
_LEAST_SAMPLES = 200


@dataclass(frozen=True, slots=True)
class Noise:
    """One quantity's quick noise, one axis, SI."""

    name: str
    unit: str
    size: Estimate


def quick_noise(captures: list[Capture]) -> list[Noise]:
    """Of positions and velocities as reported, level axes and upright ones apart."""
    found = []
    for name, unit, pick in (("position", "m", "positions"), ("velocity", "m/s", "velocities")):
        for axes, words in (((0, 1), "level"), ((2,), "upright")):
            parts = [_differences(getattr(one.track, pick), one.time_s, axes) for one in captures]
            size = _size(np.concatenate(parts))
            if size is not None:
                found.append(Noise(f"{name}, {words}", unit, size))
    return found


def _differences(of: Series, airborne_s: FloatArray, axes: tuple[int, ...]) -> FloatArray:
    """Third differences over gapless, even samples, shape (n, axes)."""
    inside = of.between(float(airborne_s[0]), float(airborne_s[-1]))
    if len(inside) < 4:
        return np.empty((0, len(axes)))
    steps = np.diff(inside.time_s)
    usual = np.abs(steps - np.median(steps)) < 0.2 * np.median(steps)
    third = np.diff(inside.values[:, axes], n=3, axis=0) / _ROOT_20
    even: FloatArray = third[usual[:-2] & usual[1:-1] & usual[2:]]
    return even


def _size(differences: FloatArray) -> Estimate | None:
    if len(differences) < _LEAST_SAMPLES:
        return None
    squares = (differences**2).mean(axis=1)
    rng = np.random.default_rng(_SEED)
    blocks = len(squares) // _BLOCK_SAMPLES
    starts = rng.integers(0, len(squares) - _BLOCK_SAMPLES + 1, (_DRAWS, blocks))
    sums = np.concatenate([[0.0], np.cumsum(squares)])
    means = (sums[starts + _BLOCK_SAMPLES] - sums[starts]).sum(axis=1) / (blocks * _BLOCK_SAMPLES)
    tail = 0.5 * (1.0 - CONFIDENCE)
    low, high = np.sqrt(np.quantile(means, (tail, 1.0 - tail)))
    return Estimate(float(np.sqrt(squares.mean())), float(low), float(high))

"""The lag of the motors, from logs that are quick enough: how late force along the body's axis follows throttle.

Rotor speed follows throttle times voltage with a first-order lag, and force goes with its square. The lag is where the
force that throttle predicts explains most of what the accelerometer feels; what changes within a second or more is
taken away before, for wind and drag do that, too. Lags of 20 to 50 ms are the rule, so samples must lie 20 ms apart or
less.
Interval: bootstrap of blocks of BLOCK_S, percentiles, and half a sample on either side, for when a command changed
between two samples is not told.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from asflown.campaign.calibration.capture import Capture
from asflown.campaign.calibration.fit import CONFIDENCE, Estimate
from asflown.frames import FloatArray

LEAST_HZ = 49.0
"""Of throttle and of accelerations: 50 Hz, as stamps tell it."""
BLOCK_S = 5.0
_LAGS_S = np.arange(0.0, 0.2005, 0.002)
_SLOW_S = 1.0
_LEAST_BLOCKS = 6
_DRAWS, _SEED = 400, 50
_LEAST_EXPLAINED = 0.02


def motor_lag(captures: list[Capture]) -> Estimate | None:
    """Seconds; None where throttle or accelerations are too slow, or the lag does not show."""
    found = [_sums(one) for one in captures if is_quick(one)]
    sums = np.concatenate(found) if found else np.empty((0, len(_LAGS_S), 3))
    if len(sums) < _LEAST_BLOCKS:
        return None
    explained = _explained(sums.sum(axis=0))
    best = int(np.argmax(explained))
    if explained[best] < _LEAST_EXPLAINED or best == len(_LAGS_S) - 1:
        return None
    rng = np.random.default_rng(_SEED)
    drawn = sums[rng.integers(0, len(sums), (_DRAWS, len(sums)))].sum(axis=1)
    lags_s = _LAGS_S[np.argmax(_explained(drawn), axis=1)]
    tail = 0.5 * (1.0 - CONFIDENCE)
    low, high = np.quantile(lags_s, (tail, 1.0 - tail))
    half_sample_s = 0.5 / min(min(one.throttle_hz, one.upright_hz) for one in captures if is_quick(one))
    return Estimate(float(_LAGS_S[best]), max(0.0, float(low) - half_sample_s), float(high) + half_sample_s)


def is_quick(capture: Capture) -> bool:
    """Whether its throttle and accelerations come often enough."""
    quick = capture.throttle_hz >= LEAST_HZ and capture.upright_hz >= LEAST_HZ
    return quick and capture.voltage_v is not None


def _explained(sums: FloatArray) -> FloatArray:
    """Share of the force's variance, for each lag; `sums` are of x x, x y and y y, shape (..., lags, 3)."""
    share: FloatArray = sums[..., 1] * np.abs(sums[..., 1]) / np.maximum(sums[..., 0] * sums[..., 2], 1e-12)
    return share


def _sums(capture: Capture) -> FloatArray:
    """For each block and lag: products of predicted and felt force, shape (blocks, lags, 3)."""
    assert capture.voltage_v is not None
    step_s = 1.0 / min(capture.throttle_hz, capture.upright_hz)
    begin_s, end_s = capture.time_s[0], capture.time_s[-1]
    time_s = np.arange(begin_s, end_s, step_s)
    felt, throttle = capture.upright_force, capture.throttle_series
    force = _quick(-np.interp(time_s, felt.time_s, felt.values), step_s)
    voltage = np.interp(time_s, capture.time_s, capture.voltage_v)
    # throttle holds from one sample to the next, as a motor's command does
    at = np.maximum(np.searchsorted(throttle.time_s, time_s + 1e-6, side="right") - 1, 0)
    command = throttle.values[at] * voltage / voltage.mean()
    edges = np.arange(0, len(time_s), max(1, round(BLOCK_S / step_s)))
    found = np.empty((max(0, len(edges) - 1), len(_LAGS_S), 3))
    for number, lag_s in enumerate(_LAGS_S):
        predicted = _quick(_lagged(command, float(lag_s), step_s) ** 2, step_s)
        for block, (a, b) in enumerate(pairwise(edges)):
            x, y = predicted[a:b], force[a:b]
            found[block, number] = x @ x, x @ y, y @ y
    return found


def _lagged(values: FloatArray, lag_s: float, step_s: float) -> FloatArray:
    """A first-order lag of values that hold for a step each, exact at the steps."""
    if lag_s <= 0:
        return values
    from scipy.signal import lfilter  # noqa: PLC0415  heavy, and only quick logs need it

    kept = float(np.exp(-step_s / lag_s))
    lagged, _ = lfilter([0.0, 1.0 - kept], [1.0, -kept], values, zi=[values[0]])
    return np.asarray(lagged, np.float64)


def _quick(values: FloatArray, step_s: float) -> FloatArray:
    """Without what changes within _SLOW_S or more."""
    from scipy.ndimage import uniform_filter1d  # noqa: PLC0415

    slow = uniform_filter1d(values, max(1, round(_SLOW_S / step_s)), mode="nearest")
    return np.asarray(values - slow, np.float64)

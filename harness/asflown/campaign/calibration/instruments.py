"""What moved the craft that gusts cannot have moved: the set-points, as velocities.

A gust pushes the craft and slows or speeds it at once, so least squares over its own velocity would find too little or
too much drag. What was asked for knows nothing of gusts: it serves as instrument (two-stage estimation, as econometrics
has it). Where nothing was asked for, or the craft did something else, its own velocity has to do.
"""

from __future__ import annotations

import numpy as np

from asflown.campaign.calibration.capture import Capture
from asflown.frames import FloatArray

_FOLLOWS_S, _TRAVELS_S = 0.8, 2.0
_LEAST_LIKENESS = 0.5


def instrument(capture: Capture) -> tuple[FloatArray, bool]:
    """Shape (n, 3), and whether it is what was asked for."""
    asked = _asked(capture)
    own = capture.velocity_m_s
    a, b = (values[:, :2] - values[:, :2].mean(axis=0) for values in (asked, own))
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    alike = size > 0 and float((a * b).sum()) / size >= _LEAST_LIKENESS
    return (asked, True) if alike else (own.copy(), False)


def _asked(capture: Capture) -> FloatArray:
    """Velocities asked for, a little late; positions asked for by how far they are ahead of their slow followers."""
    points, time_s = capture.set_points, capture.time_s
    if not len(points):
        return np.zeros_like(capture.velocity_m_s)
    at = np.searchsorted(points.time_s, time_s, side="right") - 1
    known = (at >= 0)[:, None]
    speeds = np.where(known, points.velocity_m_s[at], np.nan)
    places = np.where(known, points.position_m[at], np.nan)
    ahead = (_held(places) - _slow(_held(places), _TRAVELS_S / capture.step_s)) / _TRAVELS_S
    wanted = np.where(np.isnan(speeds), np.where(np.isnan(places), 0.0, ahead), speeds)
    return _slow(wanted, _FOLLOWS_S / capture.step_s)


def _held(values: FloatArray) -> FloatArray:
    """Gaps filled with what was there before, and with the first value before that."""
    held = values.copy()
    for column in held.T:
        good = np.flatnonzero(np.isfinite(column))
        if not len(good):
            column[:] = 0.0
            continue
        before = np.maximum(np.searchsorted(good, np.arange(len(column)), side="right") - 1, 0)
        column[:] = column[good[before]]
    return held


def _slow(values: FloatArray, samples: float) -> FloatArray:
    """First-order lag of so many samples."""
    share = 1.0 / (1.0 + samples)
    slow = values.copy()
    for row in range(1, len(slow)):
        slow[row] = slow[row - 1] + share * (values[row] - slow[row - 1])
    return slow

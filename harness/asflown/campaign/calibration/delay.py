"""How late a vehicle answers: from a new set-point to the moment when its motion begins to change.

After each clear step of what is asked for, the velocity in the step's direction is fitted with nothing before the onset
and a parabola from then on (acceleration that grows evenly, as a craft that has to tilt first does). Steps are far
apart, so their onsets are independent: the interval is Student's.
"""

from __future__ import annotations

import numpy as np

from asflown.campaign.calibration.capture import Capture
from asflown.campaign.calibration.fit import CONFIDENCE, Estimate
from asflown.frames import FloatArray

LEAST_STEPS = 5
_SPEED_STEP_M_S, _PLACE_STEP_M = 1.0, 1.5
_STEADY_S, _LOOKED_AT_S = 1.5, 1.5
_ANSWERED_M_S = 0.8
_LATEST_S = 1.0


def response_delay(captures: list[Capture]) -> Estimate | None:
    """Seconds; None where fewer than LEAST_STEPS steps can be seen."""
    onsets_s = [onset_s for capture in captures for onset_s in _onsets_s(capture)]
    if len(onsets_s) < LEAST_STEPS:
        return None
    from scipy.stats import t  # noqa: PLC0415  heavy, and only a calibration needs it

    mean_s = float(np.mean(onsets_s))
    reach = float(t.ppf(0.5 + 0.5 * CONFIDENCE, len(onsets_s) - 1))
    half_s = reach * float(np.std(onsets_s, ddof=1)) / np.sqrt(len(onsets_s))
    return Estimate(mean_s, mean_s - half_s, mean_s + half_s)


def _onsets_s(capture: Capture) -> list[float]:
    points = capture.set_points
    found = []
    for values, least in (
        (points.velocity_m_s, _SPEED_STEP_M_S),
        (points.position_m, _PLACE_STEP_M),
    ):
        if len(points) < 2:
            continue
        steps = np.diff(values, axis=0)
        sizes = np.linalg.norm(np.nan_to_num(steps), axis=1)
        changes = np.flatnonzero(sizes > 0.05) + 1
        for before, now in zip([0, *changes[:-1]], changes, strict=False):
            steady_s = points.time_s[now] - points.time_s[before]
            if sizes[now - 1] >= least and steady_s >= _STEADY_S:
                onset_s = _onset_s(capture, float(points.time_s[now]), steps[now - 1] / sizes[now - 1])
                found += [] if onset_s is None else [onset_s]
    return found


def _onset_s(capture: Capture, asked_s: float, direction: FloatArray) -> float | None:
    """Of one step; None when the answer is not seen or not clear."""
    velocities = capture.track.velocities.between(asked_s - 0.3, asked_s + _LOOKED_AT_S)
    if len(velocities) < 8:
        return None
    after_s, along = velocities.time_s - asked_s, velocities.values @ np.nan_to_num(direction)
    along = along - along[after_s <= 0.05].mean()
    enough = np.flatnonzero(along >= _ANSWERED_M_S)
    if not len(enough):
        return None
    after_s, along = after_s[: enough[0] + 1], along[: enough[0] + 1]
    onsets_s = np.arange(0.0, min(_LATEST_S, float(after_s[-1])), 0.01)
    shapes = np.clip(after_s[None, :] - onsets_s[:, None], 0.0, None) ** 2
    sizes = (shapes @ along) / np.maximum((shapes * shapes).sum(axis=1), 1e-12)
    missed = ((along[None, :] - sizes[:, None] * shapes) ** 2).sum(axis=1)
    return float(onsets_s[np.argmin(missed)])

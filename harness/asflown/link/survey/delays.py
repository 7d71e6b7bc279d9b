"""Round trips, the vehicle's clock against ours, and how long a frame takes each way.

A TIMESYNC leaves at a, the vehicle stamps it with its own time v, the answer is here at b. Round trip: b - a. Offset of
the vehicle's clock: v - (a + b) / 2, as the MAVLink guide's Time Synchronization has it, best where the round trip is
short. How the delay divides between up and down cannot be seen from the ground: half of the least is given to each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asflown.frames import FloatArray
from asflown.link.survey.ears import Answer
from asflown.link.survey.loss_fit import Estimate

PERCENTILES = (5, 50, 95, 99)
_NORMAL_95 = 1.959964
_PARTS = 20
"""The span is cut into so many, and the best probe of each tells the drift."""


@dataclass(frozen=True, slots=True)
class Delays:
    """All times in milliseconds, but for the drift."""

    probes: int
    answered: int
    round_trip_ms: dict[int, float]
    """By percentile."""
    round_trip_least_ms: float
    offset_s: float
    """The vehicle's clock less ours, in the middle of the survey."""
    drift_ppm: Estimate
    """By how much the vehicle's clock is fast, parts in a million."""
    up_spread_ms: float
    """Middle 90 % of the delay up, and of that down: the jitter, and what the vehicle adds."""
    down_spread_ms: float
    least_way_ms: float
    """Half of the least delay up and the least delay down together, air time included."""


def delays_of(asked: list[int], answers: dict[int, Answer], epoch_us: int) -> Delays | None:
    """From the stamps that were asked with; None when fewer than three were answered."""
    pairs = [(asked_ns, answers[asked_ns]) for asked_ns in asked if asked_ns in answers]
    if len(pairs) < 3:
        return None
    sent_us = np.array([asked_ns / 1000 - epoch_us for asked_ns, _ in pairs])
    back_us = np.array([float(answer.time_us) for _, answer in pairs])
    vehicle_us = np.array([answer.vehicle_ns / 1000 for _, answer in pairs])
    trips_us = back_us - sent_us
    middle_us = (sent_us + back_us) / 2
    offset_us, slope, slope_error = _clock_line(middle_us, vehicle_us - middle_us, trips_us)
    reference = middle_us - middle_us.mean()
    up_us = vehicle_us - sent_us - slope * reference
    down_us = back_us - vehicle_us + slope * reference
    return Delays(
        probes=len(asked),
        answered=len(pairs),
        round_trip_ms={share: float(np.percentile(trips_us, share)) / 1000 for share in PERCENTILES},
        round_trip_least_ms=float(trips_us.min()) / 1000,
        offset_s=offset_us / 1e6,
        drift_ppm=Estimate(
            slope * 1e6,
            (slope - _NORMAL_95 * slope_error) * 1e6,
            (slope + _NORMAL_95 * slope_error) * 1e6,
        ),
        up_spread_ms=_spread(up_us),
        down_spread_ms=_spread(down_us),
        least_way_ms=float(up_us.min() + down_us.min()) / 2000,
    )


def _clock_line(
    middle_us: FloatArray, offset_us: FloatArray, trips_us: FloatArray
) -> tuple[float, float, float]:
    """Offset at the mean time, slope, and the slope's standard error, by least squares over the best probes."""
    parts = np.array_split(np.arange(len(middle_us)), min(_PARTS, len(middle_us)))
    best = np.array([part[np.argmin(trips_us[part])] for part in parts])
    x, y = middle_us[best] - middle_us.mean(), offset_us[best]
    spread = float(((x - x.mean()) ** 2).sum())
    if len(best) < 3 or spread == 0:
        return float(offset_us[np.argmin(trips_us)]), 0.0, 0.0
    slope = float(((x - x.mean()) * (y - y.mean())).sum()) / spread
    at_zero = float(y.mean() - slope * x.mean())
    residual = y - at_zero - slope * x
    error = (float((residual**2).sum()) / (len(best) - 2) / spread) ** 0.5
    return at_zero, slope, error


def _spread(delays_us: FloatArray) -> float:
    low, high = np.percentile(delays_us, (5, 95))
    return float(high - low) / 1000

"""The error of performance-based navigation in its parts: whether the pilot or the map is wrong.

Source: ICAO Doc 9613, from memory. Flight technical error: the estimate against the expected path. Navigation system
error: the estimate against the truth. Total system error: the truth against the expected path. Each is the size kept
95 % of the flight time. On hardware only the first can be observed.
"""

from __future__ import annotations

import numpy as np

from asflown.grade.evidence import Evidence
from asflown.grade.found import Found, no_place
from asflown.grade.leg_measures import percentile_95
from asflown.scenario.model import Limit
from asflown.units import format_quantity

_NO_TRUTH = "no truth is known of this flight, only the flight technical error can be observed"


def flight_technical_error_p95(evidence: Evidence, _limit: Limit) -> Found:
    """Cross-track error of the estimate, m, kept 95 % of the time. Pitfall: blind to an estimate that is wrong."""
    return _cross_track(evidence.estimate, "by its own account")


def total_system_error_p95(evidence: Evidence, _limit: Limit) -> Found:
    """Cross-track error of the truth, m, kept 95 % of the time. Pitfall: the truth has its own start point."""
    if evidence.truth is None:
        return Found(None, _NO_TRUTH)
    return _cross_track(evidence.truth, "in truth")


def navigation_system_error_p95(evidence: Evidence, _limit: Limit) -> Found:
    """Horizontal distance of estimate and truth, m, kept 95 % of the flight, both about home.

    Pitfall: taken from the start point of each, a constant offset of the estimate would vanish; about home it shows.
    """
    if evidence.truth is None or evidence.estimate is None:
        return Found(None, _NO_TRUTH)
    estimate, truth = evidence.estimate.track, evidence.truth.track
    place = evidence.estimate.positions
    reported, real = estimate.about_home or estimate.positions, truth.positions
    if place is None or not len(place) or not len(reported):
        return Found(None, no_place(evidence) or "there are no positions during the flight")
    reported = reported.between(float(place.time_s[0]), float(place.time_s[-1]))
    apart = np.hypot(
        *(
            reported.values[:, axis] - np.interp(reported.time_s, real.time_s, real.values[:, axis])
            for axis in (0, 1)
        )
    )
    if not len(apart):
        return Found(None, "there are no positions during the flight")
    worst = int(np.argmax(apart))
    at_s = float(reported.time_s[worst])
    says = f"estimate and truth are up to {format_quantity(float(apart[worst]), 'm')} apart, at {at_s:.1f} s"
    return Found(percentile_95(apart), says, None, at_s)


def _cross_track(evidence: Evidence | None, whose: str) -> Found:
    parts = (
        [] if evidence is None else [p.cross_track_m for p in evidence.legs if p.cross_track_m is not None]
    )
    errors = np.concatenate([np.empty(0), *parts])
    if evidence is None or not len(errors):
        return Found(None, "no leg was flown that has sides")
    value = percentile_95(errors)
    return Found(value, f"{whose} within {format_quantity(value, 'm')} of the path 95 % of the time")

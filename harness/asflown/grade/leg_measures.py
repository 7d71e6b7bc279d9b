"""Measures taken leg by leg: cross-track and vertical errors, and speed.

The leg that is named is the first that is at least half as far out as the worst: what went wrong first is what a
person looks for, unless something far worse comes later. Percentiles are those of Hyndman & Fan (1996), type 7:
linear between order statistics. Each sample counts alike: at a steady rate, 95 % of samples are 95 % of the time.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from asflown.frames import FloatArray
from asflown.grade import geometry
from asflown.grade.evidence import Evidence, LegErrors
from asflown.grade.found import Found, no_place
from asflown.grade.margin import upper
from asflown.grade.match import LegMatch
from asflown.scenario.model import Limit
from asflown.units import format_quantity

Statistic = Callable[[FloatArray], float]


def root_mean_square(errors: FloatArray) -> float:
    """The square root of the mean of the squares."""
    return float(np.sqrt(np.mean(errors**2)))


def percentile_95(errors: FloatArray) -> float:
    """The size that 95 % of the errors keep (Hyndman & Fan type 7)."""
    return float(np.percentile(np.abs(errors), 95, method="linear"))


def largest(errors: FloatArray) -> float:
    """The largest size."""
    return float(np.max(np.abs(errors)))


def cross_track_rms(evidence: Evidence, limit: Limit) -> Found:
    """Root mean square of the cross-track error, m: sqrt(mean(e^2)) over lines, arcs and returns.

    e is the horizontal distance from the leg's line or circle, right positive. Source: the usual definition of
    cross-track error. Pitfall: one bad leg in a long flight hardly shows; use p95 or max beside it.
    """
    return _beside(evidence, limit, root_mean_square)


def cross_track_p95(evidence: Evidence, limit: Limit) -> Found:
    """The size of cross-track error, m, kept 95 % of the time on lines, arcs and returns.

    Source: the 95 % of flight time of performance-based navigation (ICAO Doc 9613, from memory). Pitfall: what
    lasts less than 5 % of the legs' time does not count at all.
    """
    return _beside(evidence, limit, percentile_95)


def cross_track_max(evidence: Evidence, limit: Limit) -> Found:
    """The largest size of the cross-track error, m, on lines, arcs and returns.

    Pitfall: a single sample decides, and a cut corner counts for the leg it is matched to.
    """
    return _beside(evidence, limit, largest)


def vertical_rms(evidence: Evidence, limit: Limit) -> Found:
    """Root mean square of the vertical error, m, over lines, arcs, returns and holds.

    The error is the height above the nearest place of the leg seen from above, too high positive. Pitfall: on
    an estimate it is blind to the drift of the barometer.
    """
    return _above(evidence, limit, root_mean_square)


def vertical_p95(evidence: Evidence, limit: Limit) -> Found:
    """The size of the vertical error, m, kept 95 % of the time on lines, arcs, returns and holds.

    Pitfalls: those of cross_track_p95 and vertical_rms.
    """
    return _above(evidence, limit, percentile_95)


def vertical_max(evidence: Evidence, limit: Limit) -> Found:
    """The largest size of the vertical error, m, on lines, arcs, returns and holds; pitfalls as vertical_rms."""
    return _above(evidence, limit, largest)


def speed_on_legs(evidence: Evidence, _limit: Limit) -> Found:
    """Largest difference, m/s, between a leg's mean ground speed and its `speed`.

    The mean is taken over the samples on the middle half of the leg, so that speeding up and slowing down at
    its ends do not count. Ground speed is horizontal. Pitfall: on a short leg the speed may never be reached.
    """
    if evidence.matched is None:
        return Found(None, no_place(evidence))
    with_speed = [leg for leg in evidence.matched.legs if leg.leg.speed_m_s is not None]
    if not with_speed:
        return Found(None, "no leg of the expected path has a speed")
    found = [part for part in (_leg_speed(evidence, leg) for leg in with_speed) if part is not None]
    if not found:
        return Found(None, "no leg with a speed was flown")
    values = [part.value or 0.0 for part in found]
    deciding = found[_first_bad(values)]
    return Found(max(values), deciding.says, deciding.leg, deciding.at_s)


def _leg_speed(evidence: Evidence, leg: LegMatch) -> Found | None:
    assert evidence.matched is not None
    assert leg.leg.speed_m_s is not None
    samples = evidence.matched.on(leg)
    share = geometry.along_share(leg.leg, samples.values)
    middle = samples.time_s[(share >= 0.25) & (share <= 0.75)]
    if not len(middle):
        return None
    speed = evidence.track.signals["speed"].between(float(middle[0]), float(middle[-1]))
    if not len(speed):
        return None
    mean_m_s = float(speed.values.mean())
    says = (
        f"{leg.leg.name} was flown at {format_quantity(mean_m_s, 'm/s')}"
        f" instead of {format_quantity(leg.leg.speed_m_s, 'm/s')}, from {leg.begin_s:.1f} s"
    )
    return Found(abs(mean_m_s - leg.leg.speed_m_s), says, leg.leg.name, leg.begin_s)


def _beside(evidence: Evidence, limit: Limit, statistic: Statistic) -> Found:
    parts = [(part, part.cross_track_m) for part in evidence.legs if part.cross_track_m is not None]
    return _over_legs(evidence, limit, statistic, parts, ("right", "left"))


def _above(evidence: Evidence, limit: Limit, statistic: Statistic) -> Found:
    parts = [(part, part.vertical_m) for part in evidence.legs]
    return _over_legs(evidence, limit, statistic, parts, ("high", "low"))


def _over_legs(
    evidence: Evidence,
    limit: Limit,
    statistic: Statistic,
    parts: list[tuple[LegErrors, FloatArray]],
    sides: tuple[str, str],
) -> Found:
    """The statistic over all parts; the leg named is the first that is at least half as bad as the worst."""
    parts = [(part, errors) for part, errors in parts if len(errors)]
    if not parts:
        return Found(None, no_place(evidence) or "no leg was flown that it is measured on")
    value = statistic(np.concatenate([errors for _, errors in parts]))
    by_leg = [statistic(errors) for _, errors in parts]
    return _name_leg(value, *parts[_first_bad(by_leg)], limit, sides)


def _first_bad(values: list[float]) -> int:
    """The number of the first value that is at least half of the largest."""
    return next(number for number, value in enumerate(values) if 2 * value >= max(values))


def _name_leg(
    value: float, part: LegErrors, errors_m: FloatArray, limit: Limit, sides: tuple[str, str]
) -> Found:
    bound_m = upper(limit)
    beyond = np.zeros(len(errors_m), bool) if bound_m is None else np.abs(errors_m) > bound_m
    worst_m = float(errors_m[np.argmax(np.abs(errors_m))])
    side = sides[0] if worst_m > 0 else sides[1]
    how_much = format_quantity(abs(worst_m), "m")
    far = "too far " if sides[0] == "right" else "too "
    if beyond.any():
        at_s = float(part.time_s[np.argmax(beyond)])
        says = f"{part.leg.name} is up to {how_much} {far}{side}, from {at_s:.1f} s"
    else:
        at_s = float(part.time_s[np.argmax(np.abs(errors_m))])
        says = f"{part.leg.name} is up to {how_much} {far}{side}, at {at_s:.1f} s"
    return Found(value, says, part.leg.name, at_s)

"""Measures of the flight as a whole: time at holds, where it landed, how long it took."""

from __future__ import annotations

import numpy as np

from asflown.grade import geometry
from asflown.grade.distances import discrete_frechet
from asflown.grade.evidence import Evidence
from asflown.grade.found import Found, no_place
from asflown.grade.match import LONG_GAP_S, LegMatch, thinned
from asflown.scenario.model import Limit
from asflown.units import format_quantity

_FRECHET_STEP_M, _FRECHET_STEPS = 0.1, 2000


def dwell_at_holds(evidence: Evidence, _limit: Limit) -> Found:
    """The shortest time, s, spent near any of the holds: within the hold radius in space.

    The radius is the scenario's limit of the cross-track error, and at least 1 m. Counted from the leg before
    the hold to the leg behind it, each sample until the next one but no longer than 1 s. Pitfall: flying past
    without stopping also spends a moment there, 2 r / v.
    """
    if evidence.matched is None or evidence.positions is None:
        return Found(None, no_place(evidence))
    legs = evidence.matched.legs
    dwells = [_dwell(evidence, legs, number) for number, leg in enumerate(legs) if leg.leg.kind == "hold"]
    if not dwells:
        return Found(None, "the expected path has no hold")
    return min(dwells, key=lambda found: found.value or 0.0)


def _dwell(evidence: Evidence, legs: tuple[LegMatch, ...], number: int) -> Found:
    hold = legs[number]
    assert evidence.positions is not None
    begin_s, end_s = legs[max(0, number - 1)].begin_s, legs[min(number + 1, len(legs) - 1)].end_s
    samples = evidence.positions.between(begin_s, end_s)
    lasts_s = np.minimum(np.diff(samples.time_s, append=samples.time_s[-1:]), LONG_GAP_S)
    near = geometry.distance_m(samples.values, hold.leg.end_xyu_m) <= evidence.hold_radius_m
    dwell_s = float(lasts_s[near].sum())
    place = ", ".join(f"{part:.6g}" for part in hold.leg.end_xyu_m)
    within = f"within {format_quantity(evidence.hold_radius_m, 'm')} of {place} m"
    if near.any():
        at_s = float(samples.time_s[np.argmax(near)])
        says = f"{hold.leg.name} stayed {format_quantity(dwell_s, 's')} {within}, from {at_s:.1f} s"
    else:
        at_s = hold.nearest_at_s
        nearest = format_quantity(hold.nearest_m, "m")
        says = f"{hold.leg.name} never came {within}: nearest was {nearest}, at {at_s:.1f} s"
    return Found(dwell_s, says, hold.leg.name, at_s)


def landing_offset(evidence: Evidence, _limit: Limit) -> Found:
    """Horizontal distance, m, of the touch-down from where the expected path ends.

    The touch-down is the last time the vehicle reports standing on the ground again. Pitfall: on an estimate it
    holds the drift of the position since arming; only the truth or a tape measure tells the rest.
    """
    touch_down_s = evidence.air.touch_down_s
    if evidence.matched is None or evidence.positions is None:
        return Found(None, no_place(evidence))
    if touch_down_s is None:
        return Found(None, _no_touch_down(evidence))
    number = int(np.searchsorted(evidence.positions.time_s, touch_down_s))
    around = evidence.positions.between(touch_down_s - LONG_GAP_S, touch_down_s + LONG_GAP_S)
    if not len(around):
        return Found(None, f"there is no position about the touch-down at {touch_down_s:.1f} s")
    place = evidence.positions.values[min(number, len(evidence.positions) - 1)]
    leg = evidence.matched.legs[-1].leg
    x_m, y_m = place[0] - leg.end_xyu_m[0], place[1] - leg.end_xyu_m[1]
    offset_m = float(np.hypot(x_m, y_m))
    planned = f"{leg.end_xyu_m[0]:.6g}, {leg.end_xyu_m[1]:.6g} m"
    says = (
        f"{leg.name} ended {format_quantity(offset_m, 'm')} from {planned}"
        f" ({_sideways(evidence, x_m, y_m)}), at {touch_down_s:.1f} s"
    )
    return Found(offset_m, says, leg.name, touch_down_s)


def _sideways(evidence: Evidence, x_m: float, y_m: float) -> str:
    """`1.20 m north and 0.30 m west`, or forward and right."""
    about_heading = evidence.frame == "start-heading"
    forward, back, right, left = (
        ("forward", "back", "right", "left") if about_heading else ("north", "south", "east", "west")
    )
    x_word, y_word = forward if x_m >= 0 else back, right if y_m >= 0 else left
    return f"{format_quantity(abs(x_m), 'm')} {x_word} and {format_quantity(abs(y_m), 'm')} {y_word}"


def duration(evidence: Evidence, _limit: Limit) -> Found:
    """Flight time, s, from the first lift-off to the last touch-down, as the vehicle reports them.

    Pitfall: both are known to the interval of the report (EXTENDED_SYS_STATE), often half a second.
    """
    lift_off_s, touch_down_s = evidence.air.lift_off_s, evidence.air.touch_down_s
    if touch_down_s is None:
        return Found(None, _no_touch_down(evidence))
    if lift_off_s is None:
        return Found(None, "the lift-off was not seen")
    says = f"off the ground from {lift_off_s:.1f} s to {touch_down_s:.1f} s"
    return Found(touch_down_s - lift_off_s, says, None, touch_down_s)


def frechet_distance(evidence: Evidence, _limit: Limit) -> Found:
    """Discrete Frechet distance, m, in space, of the track from the whole expected path, both followed in order.

    The path is cut into steps of at most 0.1 m (2,000 steps at most), the track taken at no more than 10 Hz; the
    result is too large by at most the longest step. Source: Eiter & Mannila, CD-TR 94/64, 1994. Pitfall: it
    does not say where, and one stray moment decides; it is 0 for a flight of any speed.
    """
    if evidence.matched is None or evidence.positions is None:
        return Found(None, no_place(evidence))
    path = [leg.leg for leg in evidence.matched.legs]
    step_m = max(_FRECHET_STEP_M, sum(leg.length_m() for leg in path) / _FRECHET_STEPS)
    planned = np.concatenate([leg.points(step_m) for leg in path])
    apart_m = discrete_frechet(thinned(evidence.positions).values, planned)
    says = f"track and path are {format_quantity(apart_m, 'm')} apart at the worst place, followed in order"
    return Found(apart_m, says)


def _no_touch_down(evidence: Evidence) -> str:
    if "on_ground" not in evidence.track.signals:
        return "the vehicle does not report whether it stands on the ground (EXTENDED_SYS_STATE)"
    return "the vehicle was not seen to land"

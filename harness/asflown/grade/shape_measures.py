"""Measures of the flown path's shape against the expected one: corners, length, distances between whole paths."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import numpy as np

from asflown.frames import FloatArray
from asflown.grade import geometry
from asflown.grade.distances import hausdorff, time_warping
from asflown.grade.evidence import Evidence
from asflown.grade.found import Found, no_place
from asflown.grade.free_space import continuous_frechet, is_within
from asflown.grade.match import LegMatch, Matched, thinned
from asflown.scenario.model import Limit
from asflown.scenario.path import PathLeg
from asflown.units import format_quantity

_PATH_STEP_M, _PATH_STEPS = 0.1, 2000
_STRAIGHT = ("line", "return")
_CORNER_S = 0.5
"""How far from where a leg begins by the matching the position nearest to its corner is looked for."""


def corner_overshoot(evidence: Evidence, _limit: Limit) -> Found:
    """How far, m, the vehicle went on beyond the end of a straight leg before it turned; the worst corner.

    (p - e) . d for the leg's end e and horizontal direction d, over the samples of the leg and the next one, less
    what the next leg itself leads that way. 0 where it never went beyond. Source: the overshoot of a step response, in
    space. Pitfall: wind from behind counts as overshoot.
    """
    return _worst_corner(evidence, _beyond, "went {} beyond the corner")


def corner_cut(evidence: Evidence, _limit: Limit) -> Found:
    """How far, m, the nearest sample stayed away from a corner, seen from above; the worst corner.

    A corner is where one straight leg ends and another begins, with or without a hold. Pitfall: at v m/s and f Hz,
    samples alone leave v / 2f undecided; positions are joined by straight lines for it.
    """
    return _worst_corner(evidence, _missed, "stayed {} away from the corner")


def _worst_corner(
    evidence: Evidence, how_far: Callable[[Matched, LegMatch, LegMatch], float], words: str
) -> Found:
    if evidence.matched is None:
        return Found(None, no_place(evidence))
    matched = evidence.matched
    found = [(how_far(matched, leg, following), leg) for leg, following in _corners(matched)]
    if not found:
        return Found(None, "the expected path has no corner between straight legs that was flown")
    worst_m, leg = max(found, key=lambda pair: pair[0])
    at_s = leg.end_s
    says = f"{leg.leg.name} {words.format(format_quantity(worst_m, 'm'))}, at {at_s:.1f} s"
    return Found(worst_m, says, leg.leg.name, at_s)


def _corners(matched: Matched) -> Iterator[tuple[LegMatch, LegMatch]]:
    """Straight legs that were flown, and the next straight one; holds between them do not count."""
    moving = [leg for leg in matched.legs if leg.leg.kind != "hold"]
    for leg, following in itertools.pairwise(moving):
        straight = leg.leg.kind in _STRAIGHT and following.leg.kind in _STRAIGHT
        if straight and geometry.has_sides(leg.leg) and geometry.has_sides(following.leg) and leg.flown:
            yield leg, following


def _around(matched: Matched, leg: LegMatch, following: LegMatch) -> FloatArray:
    return matched.positions.between(leg.begin_s, following.end_s).values


def _direction(leg: PathLeg) -> FloatArray:
    step = np.array(leg.end_xyu_m[:2]) - np.array(leg.start_xyu_m[:2])
    direction: FloatArray = step / np.hypot(*step)
    return direction


def _beyond(matched: Matched, leg: LegMatch, following: LegMatch) -> float:
    points = _around(matched, leg, following)
    away = points[:, :2] - np.array(leg.leg.end_xyu_m[:2])
    onwards = np.clip(away @ _direction(following.leg), 0.0, following.leg.length_m())
    led = onwards * max(float(_direction(leg.leg) @ _direction(following.leg)), 0.0)
    return max(float((away @ _direction(leg.leg) - led).max(initial=0.0)), 0.0)


def _missed(matched: Matched, leg: LegMatch, following: LegMatch) -> float:
    away = _around(matched, leg, following)[:, :2] - np.array(leg.leg.end_xyu_m[:2])
    if len(away) < 2:
        return float(np.hypot(*away.T).min(initial=np.inf))
    start, step = away[:-1], np.diff(away, axis=0)
    squared = np.maximum((step**2).sum(axis=1), 1e-12)
    share = np.clip(-(start * step).sum(axis=1) / squared, 0.0, 1.0)
    return float(np.hypot(*(start + share[:, None] * step).T).min())


def path_length_ratio(evidence: Evidence, _limit: Limit) -> Found:
    """Length of the flown path over that of the expected one, as a share: 100 % is as planned.

    The sum of the steps between positions at no more than 1 Hz on lines, arcs and returns, over the lengths of those
    legs. Pitfall: noise makes every track longer; at a high rate by far too much, which is why it is taken slowly.
    """
    if evidence.matched is None:
        return Found(None, no_place(evidence))
    legs = [leg for leg in evidence.matched.legs if leg.leg.kind in (*_STRAIGHT, "arc")]
    planned_m = sum(leg.leg.length_m() for leg in legs)
    if not legs or planned_m == 0:
        return Found(None, "the expected path has no line, arc or return")
    flown_m = sum(_length_m(evidence.matched, leg) for leg in legs)
    says = f"{format_quantity(flown_m, 'm')} were flown where {format_quantity(planned_m, 'm')} were planned"
    return Found(flown_m / planned_m, says)


def _length_m(matched: Matched, leg: LegMatch) -> float:
    samples = matched.positions.between(leg.begin_s, leg.end_s)
    if len(samples) < 2:
        return 0.0
    times = np.arange(samples.time_s[0], samples.time_s[-1], 1.0)
    times = np.append(times, samples.time_s[-1])
    points = np.stack([np.interp(times, samples.time_s, column) for column in samples.values.T], axis=-1)
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def frechet_continuous(evidence: Evidence, _limit: Limit) -> Found:
    """Continuous Frechet distance, m, in space, of the track from the expected path, taken leg by leg.

    The track is parted where it is nearest to each corner, and each part compared with its leg; the largest of all is
    never below the distance of the whole, and the finding says how much above at most: the largest distance of
    any position from the nearest leg is never above it. Arcs are cut into chords of at most 0.1 m (sagitta below
    1.3 mm at 1 m radius). Source: Alt & Godau, 1995. Pitfall: one stray moment decides.
    """
    if evidence.matched is None or evidence.positions is None:
        return Found(None, no_place(evidence))
    matched = evidence.matched
    worst_m, leg = _worst_leg(matched)
    points = thinned(evidence.positions).values
    nearest_m = np.min([geometry.leg_distance_m(points, leg.leg) for leg in matched.legs], axis=0)
    above = format_quantity(max(worst_m - float(nearest_m.max()), 0.0), "m")
    says = (
        f"{leg.leg.name} is {format_quantity(worst_m, 'm')} from its track at the worst place, followed in order;"
        f" of the whole path no more than {above} less"
    )
    return Found(worst_m, says, leg.leg.name, leg.begin_s)


def _worst_leg(matched: Matched) -> tuple[float, LegMatch]:
    """The largest distance of a leg from its part of the track; most legs are only seen to be no worse."""
    both = [(part, _chords(leg.leg), leg) for part, leg in zip(_parted(matched), matched.legs, strict=True)]
    apart_m = [float(geometry.leg_distance_m(part, leg.leg).max()) for part, _, leg in both]
    worst_m, worst = -1.0, matched.legs[0]
    for number in np.argsort(apart_m)[::-1].tolist():
        part, chords, leg = both[number]
        if worst_m < 0 or not is_within(part, chords, worst_m):
            worst_m, worst = continuous_frechet(part, chords), leg
    return worst_m, worst


def _parted(matched: Matched) -> list[FloatArray]:
    """The positions of each leg; each part begins with the position that the one before it ends with.

    They are parted within CORNER_S of where the matching does, at the position that is nearest to the corner.
    """
    time_s, points = matched.positions.time_s, matched.positions.values
    splits = [0]
    for leg in matched.legs[1:]:
        first, last = np.searchsorted(time_s, (leg.begin_s - _CORNER_S, leg.begin_s + _CORNER_S))
        first = min(max(int(first), splits[-1]), len(time_s) - 1)
        last = max(int(last), first + 1)
        splits.append(first + int(np.argmin(geometry.distance_m(points[first:last], leg.leg.start_xyu_m))))
    splits.append(len(time_s) - 1)
    return [points[begin : end + 1] for begin, end in itertools.pairwise(splits)]


def _chords(leg: PathLeg) -> FloatArray:
    step_m = max(_PATH_STEP_M, leg.length_m() / _PATH_STEPS) if leg.kind == "arc" else np.inf
    return leg.points(step_m)


def hausdorff_distance(evidence: Evidence, _limit: Limit) -> Found:
    """Hausdorff distance, m, in space, of track and expected path as sets of points: order does not count.

    The path is cut into steps of 0.1 m (2,000 at most), the track taken at no more than 10 Hz. Pitfall: a leg flown
    backwards, or two in the wrong order, are not seen.
    """
    sets = _both(evidence)
    if sets is None:
        return Found(None, no_place(evidence))
    apart_m = hausdorff(*sets)
    return Found(apart_m, f"track and path are {format_quantity(apart_m, 'm')} apart at most, in any order")


def time_warping_mean(evidence: Evidence, _limit: Limit) -> Found:
    """Mean distance, m, of the track from the path by dynamic time warping: the sum over the longer one's points.

    Track at no more than 10 Hz, path in steps of 0.1 m (2,000 at most), coupled in order. Source: Sakoe & Chiba, 1978.
    Pitfall: holds count by their samples, so long holds make it small.
    """
    sets = _both(evidence)
    if sets is None:
        return Found(None, no_place(evidence))
    mean_m = time_warping(*sets) / max(map(len, sets))
    return Found(
        mean_m, f"track and path are {format_quantity(mean_m, 'm')} apart in the mean, followed in order"
    )


def _both(evidence: Evidence) -> tuple[FloatArray, FloatArray] | None:
    """The track, thinned, and the path in small steps."""
    if evidence.matched is None or evidence.positions is None:
        return None
    path = [leg.leg for leg in evidence.matched.legs]
    step_m = max(_PATH_STEP_M, sum(leg.length_m() for leg in path) / _PATH_STEPS)
    return thinned(evidence.positions).values, np.concatenate([leg.points(step_m) for leg in path])

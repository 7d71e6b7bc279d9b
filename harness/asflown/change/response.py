"""The response: what the vehicles did, leg by leg, and from when on two of them were apart.

Positions are forward/north, right/east, up in metres in the axes of the expected path. Within a leg flights are put
side by side at equal places of it, so that a late flight is not taken for a stray one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from asflown.change.sets import FlownFlight
from asflown.errors import AsflownError
from asflown.frames import FloatArray
from asflown.grade.evidence import Evidence, evidence
from asflown.grade.match import LegMatch
from asflown.record.series import Series, Source
from asflown.scenario.path import PathLeg, resolve_path

PLACES = 21
"""Places on each leg at which flights are put side by side."""
APART_M = 0.1
"""Nearer than this, two flights count as together."""
SURE = 3.0
"""How many standard errors the mean paths of two sets must be apart."""


@dataclass(frozen=True, slots=True)
class Apart:
    """From when on, where, and how far A and B were apart."""

    at_s: float
    """Flight time in A."""
    leg: str | None
    most_m: float
    most_leg: str | None

    def says(self) -> str:
        """`their paths part by more than 0.1 m at 9.3 s on leg 2 (...), by at most 0.62 m on leg 6 (...)`."""
        where = "" if self.leg is None else f" on {self.leg}"
        most = "" if self.most_leg in {None, self.leg} else f", on {self.most_leg}"
        return (
            f"their paths part by more than {APART_M:g} m at {self.at_s:.1f} s{where}, "
            f"and by up to {self.most_m:.2f} m{most}"
        )


def laid(flight: FlownFlight, source: Source) -> Evidence | None:
    """The flight laid on the path that its scenario expects; None where there is no path, or no track."""
    return flight.computed(("laid", source), lambda: _laid(flight, source))


def _laid(flight: FlownFlight, source: Source) -> Evidence | None:
    scenario = flight.scenario
    if scenario is None or scenario.expect.path is None:
        return None
    try:
        path = resolve_path(scenario.expect.path, scenario.start.home)
        track = flight.track(source)
    except AsflownError:
        return None
    found = evidence(track, scenario.expect.path.frame, path, scenario.expect.measures)
    return None if found.matched is None else found


@dataclass(frozen=True, slots=True)
class _OnLeg:
    """One leg of one flight: where it was near each place of the leg, shape (places, 3), and when; NaN where never."""

    leg: PathLeg
    at_s: FloatArray
    xyu_m: FloatArray


def _legs_of(flight: FlownFlight, source: Source) -> dict[int, _OnLeg]:
    """Each leg that the flight was on; none where it cannot be laid on a path."""
    on_path = laid(flight, source)
    return {} if on_path is None else flight.computed(("on legs", source), lambda: _on_legs(on_path))


def _on_legs(flight: Evidence) -> dict[int, _OnLeg]:
    matched = flight.matched
    assert matched is not None
    return {leg.leg.index: _on_leg(leg, matched.on(leg)) for leg in matched.legs if leg.end_s > leg.begin_s}


def _on_leg(leg: LegMatch, samples: Series) -> _OnLeg:
    """The mean of the samples that are nearest to each place; a hold has one place."""
    places = leg.leg.points(max(leg.leg.length_m() / (PLACES - 1), 1e-3))
    nearest = np.linalg.norm(samples.values[:, None] - places[None], axis=-1).argmin(axis=1)
    at_s, xyu_m = np.full(len(places), np.nan), np.full((len(places), 3), np.nan)
    for place in np.unique(nearest):
        here = nearest == place
        at_s[place], xyu_m[place] = samples.time_s[here].mean(), samples.values[here].mean(axis=0)
    return _OnLeg(leg.leg, at_s, xyu_m)


def _at(of: Series, at_s: FloatArray) -> FloatArray:
    columns = [np.interp(at_s, of.time_s, column) for column in of.values.T]
    return np.stack(columns, axis=-1)


def apart(a: Sequence[FlownFlight], b: Sequence[FlownFlight], source: Source) -> Apart | None:
    """From where on the mean paths of two sets are apart: by more than APART_M, and than SURE standard errors.

    With one flight on each side no spread is known, and APART_M alone decides. None where they stay together, or
    nothing can be laid on a path.
    """
    sides = [[legs for flight in side if (legs := _legs_of(flight, source))] for side in (a, b)]
    if not sides[0] or not sides[1]:
        return None
    first: tuple[float, str] | None = None
    most: tuple[float, str | None] = (0.0, None)
    for index in sorted(set.intersection(*(set(legs) for side in sides for legs in side))):
        leg_a, leg_b = ([legs[index] for legs in side] for side in sides)
        beyond_m = _beyond(leg_a, leg_b)
        if not np.any(beyond_m):
            continue
        name = leg_a[0].leg.name
        if beyond_m.max() > most[0]:
            most = float(beyond_m.max()), name
        at_s = np.stack([one.at_s for one in leg_a])[:, beyond_m > 0].mean(axis=0)  # all have been there
        first = first or (float(at_s.min()), name)
    return None if first is None else Apart(first[0], first[1], most[0], most[1])


def _beyond(a: Sequence[_OnLeg], b: Sequence[_OnLeg]) -> FloatArray:
    """How far mean paths are apart at each place of a leg that all flights passed; 0 where that may be chance."""
    stacked = [np.stack([one.xyu_m for one in side]) for side in (a, b)]
    between = stacked[1].mean(axis=0) - stacked[0].mean(axis=0)  # NaN where a flight has no sample
    distance_m: FloatArray = np.nan_to_num(np.linalg.norm(between, axis=-1))
    least_m: FloatArray = np.full(len(distance_m), APART_M)
    if min(len(a), len(b)) >= 2:
        variances = [side.var(axis=0, ddof=1).sum(axis=-1) / len(side) for side in stacked]
        least_m = np.maximum(least_m, SURE * np.sqrt(np.nan_to_num(variances[0] + variances[1])))
    return np.where(distance_m > least_m, distance_m, 0.0)


def twins_apart(a: FlownFlight, b: FlownFlight, source: Source) -> Apart | None:
    """From when on twins were apart: at equal flight times, as they were together until they parted."""
    one, other = laid(a, source), laid(b, source)
    if one is None or other is None or one.positions is None or other.positions is None:
        return None
    at_s = one.positions.time_s
    at_s = at_s[at_s <= other.positions.time_s[-1]]
    if not len(at_s):
        return None
    distance_m = np.linalg.norm(_at(other.positions, at_s) - _at(one.positions, at_s), axis=-1)
    beyond = np.flatnonzero(distance_m > APART_M)
    if not len(beyond):
        return None
    first_s = float(at_s[beyond[0]])
    by_leg = apart([a], [b], source)  # compared leg by leg: what is merely late is not far away
    most_m, most_leg = (APART_M, None) if by_leg is None else (by_leg.most_m, by_leg.most_leg)
    return Apart(first_s, leg_at(one, first_s), most_m, most_leg)


def leg_at(flight: Evidence | None, at_s: float | None) -> str | None:
    """The name of the leg that was being flown at a time."""
    if flight is None or flight.matched is None or at_s is None:
        return None
    legs = (leg for leg in flight.matched.legs if leg.begin_s <= at_s < leg.end_s)
    return next((leg.leg.name for leg in legs), None)

"""Tells in plain words which legs were flown, what was flown instead of the others, and where nothing is known.

Places are in the axes of the expected path, as its legs are named.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from asflown.frames import FloatArray
from asflown.grade import geometry
from asflown.grade.match import LONG_GAP_S, LegMatch, Matched
from asflown.record.series import Series
from asflown.units import format_quantity

_AT_ONCE_S = 0.5
"""What took less time was not flown at all: the vehicle went straight on."""
_STAYED_M = 1.0
_ASIDE_M = 2.0
"""A way that led farther than this off the straight line is told by its farthest place, too."""


def which_legs(matched: Matched) -> str:
    """All legs, or those that were not flown: the first in full, the others by number, and what was flown instead."""
    missing = matched.not_flown()
    hidden = [leg.leg.name for leg in matched.legs if leg.in_gap and not leg.flown]
    gaps = "".join(f"; {words}" for words in _gaps(matched.positions))
    if not missing and hidden:
        return f"no leg is known to be left out; there are no positions where {hidden[0]} should be"
    if not missing:
        return f"{_all(len(matched.legs))} flown{gaps}"
    others = ""
    if missing[1:]:
        were = "was" if len(missing) == 2 else "were"
        others = f"; nor {were} {_legs([leg.leg.index for leg in missing[1:]])}"
    instead = "".join(f"; {words}" for words in instead_of(matched))
    return f"{_not_flown(missing[0])}{others}{instead}{gaps}"


def _all(count: int) -> str:
    return "the only leg was" if count == 1 else f"all {count} legs were"


def _legs(indices: list[int]) -> str:
    """`leg 3`, `legs 3 and 4`, `legs 3 to 6 and 9`."""
    runs: list[list[int]] = []
    for index in indices:
        if runs and runs[-1][-1] == index - 1:
            runs[-1].append(index)
        else:
            runs.append([index])
    parts: list[str] = []
    for run in runs:
        parts += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(index) for index in run]
    joined = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"{'leg' if len(indices) == 1 else 'legs'} {joined}"


def _not_flown(leg: LegMatch) -> str:
    nearest = format_quantity(leg.nearest_m, "m")
    if leg.leg.kind == "land":
        return f"{leg.leg.name} was not flown: the vehicle was not seen to land"
    if leg.nearest_m > leg.radius_m:
        return f"{leg.leg.name} was not flown: nearest to its end was {nearest}, at {leg.nearest_at_s:.1f} s"
    return f"{leg.leg.name} was not flown: {leg.covered:.0%} of it was covered"


def instead_of(matched: Matched) -> Iterator[str]:
    """For each run of legs that were not flown: `instead of legs 3 and 4 it flew from ... to ..., 7.8 s to 16.0 s`."""
    for first, last in _runs(matched):
        which = _legs([leg.leg.index for leg in matched.legs[first : last + 1]])
        yield f"instead of {which} {_flew(matched, first, last)}"


def _runs(matched: Matched) -> Iterator[tuple[int, int]]:
    """First and last place of legs in a row that are known not to have been flown; a landing is no such leg."""
    missing = {leg.leg.index for leg in matched.not_flown() if leg.leg.kind != "land"}
    begin: int | None = None
    for place, leg in enumerate(matched.legs):
        if leg.leg.index in missing and begin is None:
            begin = place
        if begin is not None and leg.leg.index not in missing:
            yield begin, place - 1
            begin = None
    if begin is not None:
        yield begin, len(matched.legs) - 1


def _flew(matched: Matched, first: int, last: int) -> str:
    """What was flown from the beginning of the first leg of a run to the end of the next leg that leads anywhere."""
    following = next((leg for leg in matched.legs[last + 1 :] if leg.leg.kind != "hold"), None)
    begin_s, end_s = matched.legs[first].begin_s, (following or matched.legs[last]).end_s
    flown = matched.positions.between(begin_s, end_s).values
    when = f"from {begin_s:.1f} s to {end_s:.1f} s"
    if following is None and (end_s - begin_s < _AT_ONCE_S or len(flown) < 2):
        return f"the flight ended, at {begin_s:.1f} s"
    if not len(flown):
        return f"nothing is known, {when}"
    end = (
        _place(flown[-1])
        if following is None
        else f"the end of leg {following.leg.index}, {_place(flown[-1])}"
    )
    start = tuple(flown[0].tolist())
    away_m = geometry.distance_m(flown, (start[0], start[1], start[2]))
    if away_m.max() < _STAYED_M:
        return f"it stayed at {_place(flown[0])}, {when}"
    return f"it flew from {_place(flown[0])} {_by_way(flown, away_m)}to {end}, {when}"


def _by_way(flown: FloatArray, away_m: FloatArray) -> str:
    """`by way of 8.0, 6.0, 3.0 m `: the place farthest off the straight line; `straight ` where there is none."""
    aside_m = _off_line_m(flown)
    if aside_m.max() > _ASIDE_M:
        return f"by way of {_place(flown[int(np.argmax(aside_m))])} "
    if away_m.max() - away_m[-1] > _ASIDE_M:
        return f"by way of {_place(flown[int(np.argmax(away_m))])} "
    return "straight "


def _off_line_m(points: FloatArray) -> FloatArray:
    """How far each point is from the straight line between the first and the last of them."""
    step = points[-1] - points[0]
    length_2 = max(float(step @ step), 1e-12)
    share = np.clip((points - points[0]) @ step / length_2, 0.0, 1.0)
    return np.asarray(np.linalg.norm(points - points[0] - share[:, None] * step, axis=1))


def _place(point: FloatArray) -> str:
    return f"{', '.join(f'{value:z.1f}' for value in point.tolist())} m"


def _gaps(positions: Series) -> Iterator[str]:
    """`there are no positions for 5.0 s from 8.0 s`, for the longest gap, and how many more there are."""
    steps_s = np.diff(positions.time_s)
    number = int((steps_s > LONG_GAP_S).sum())
    if not number:
        return
    longest = int(np.argmax(steps_s))
    more = "" if number == 1 else f", and {number - 1} more such gap{'' if number == 2 else 's'}"
    yield f"there are no positions for {steps_s[longest]:.1f} s from {positions.time_s[longest]:.1f} s{more}"

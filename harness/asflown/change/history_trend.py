"""How measures went over time, and since when they differ.

A shift is named only where it holds among all measures looked at together (Holm), so that the more measures there
are, the more it takes. Permutations are drawn from a seed of their own: the same history gives the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asflown.change.history_query import MeasureName, Point, measure_names, trend
from asflown.change.history_store import History
from asflown.change.sets import Kind
from asflown.errors import UsageError
from asflown.grade.statistics import holm, shift
from asflown.grade.statistics.change_point import FEWEST

ALPHA = 0.01
"""Chance of naming any shift in a kind whose flights are all alike."""
LONGEST = 400
"""Flights that are searched for a shift, the newest: shuffling takes time with their square."""
_SEED = 9


@dataclass(frozen=True, slots=True)
class ShiftFound:
    """From which flight on a measure is another one."""

    first: Point
    """The first flight after the shift."""
    median_before: float
    median_after: float
    p_value: float
    """Adjusted for all measures of the kind."""
    inputs_changed: tuple[str, ...]
    """What changed with it: `script`, `expectations`, `parameters`, `conditions`."""


@dataclass(frozen=True, slots=True)
class Trend:
    """One measure of one kind, the oldest flight first; SI."""

    measure: MeasureName
    points: tuple[Point, ...]
    shift: ShiftFound | None


_INPUTS = ("script", "expectations", "parameters", "conditions")


def trends(
    history: History, kind: Kind, only: str | None = None, last: int | None = None
) -> tuple[Trend, ...]:
    """The trend of each measure of a kind (or of the one named `only`). Raises UsageError for a name it has not."""
    names = measure_names(history, kind)
    chosen = [one for one in names if only in {None, one.name}]
    if only is not None and not chosen:
        known = ", ".join(dict.fromkeys(one.name for one in names)) or "none at all"
        raise UsageError(f"no flight of {kind} has a measure `{only}`", f"They have: {known}")
    series = [(one, trend(history, kind, one, last)) for one in chosen]
    return tuple(
        Trend(name, points, found)
        for (name, points), found in zip(series, _shifts([points for _, points in series]), strict=True)
    )


def _shifts(series: list[tuple[Point, ...]]) -> list[ShiftFound | None]:
    """The shift of each series, those left out that chance would show among so many."""
    generator = np.random.default_rng(_SEED)
    found = []
    for points in series:
        recent = points[-LONGEST:]
        found.append(shift([one.value for one in recent], generator) if len(recent) >= FEWEST else None)
    adjusted = iter(holm([one.p_value for one in found if one is not None]))
    result: list[ShiftFound | None] = []
    for points, one in zip(series, found, strict=True):
        p_value = next(adjusted) if one is not None else 1.0
        if one is None or p_value > ALPHA:
            result.append(None)
            continue
        recent = points[-LONGEST:]
        first, before = recent[one.position], recent[one.position - 1]
        changed = tuple(
            name for name, a, b in zip(_INPUTS, before.inputs, first.inputs, strict=True) if a != b
        )
        result.append(ShiftFound(first, one.median_before, one.median_after, p_value, changed))
    return result

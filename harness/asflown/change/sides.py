"""Sets on different clocks: each side keeps its own statistic, and words compare the two.

Nothing is pooled and no common test is made. Each side's mean gets its own confidence interval; the two agree when the
farthest ends of both lie within the band of each other, and disagree when the intervals are apart. That asks for more
than a common test would, and needs at least two flights a side; one flight is held against where the other side's
flights lie (a prediction interval).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from scipy import stats

from asflown.change.findings import ChangeWord, MeasureChange
from asflown.change.measure_change import band_of, named_in, numbers
from asflown.change.samples import LEVEL, SHARE, Family, Numbers, Sample
from asflown.change.sets import FlightSet

Interval = tuple[float, float]


def interval_of(values: Sequence[float], level: float, *, of_one_more: bool = False) -> Interval | None:
    """The interval of the mean, or of one more flight (Student's t); None for fewer than two numbers."""
    if len(values) < 2:
        return None
    spread = float(np.std(values, ddof=1)) * math.sqrt(1 / len(values) + (1 if of_one_more else 0))
    reach = spread * float(stats.t.ppf(0.5 + level / 2, len(values) - 1))
    mean = float(np.mean(values))
    return mean - reach, mean + reach


def lie_apart(samples: Sequence[Sample], family: Family) -> list[Sample]:
    """Those numbers of which each side's own interval lies apart from the other's, at the level of their family."""
    level = 1 - LEVEL * SHARE[family] / max(len(samples), 1)
    apart = [one for one in samples if _are_apart(_known(one.a), _known(one.b), level)]
    return [one for one in apart if abs(one.means()[1] - one.means()[0]) >= one.matters_from]


def _known(side: Numbers) -> list[float]:
    return [value for value in side if value is not None]


def _are_apart(a: Sequence[float], b: Sequence[float], level: float) -> bool:
    one, other = interval_of(a, level), interval_of(b, level)
    return one is not None and other is not None and (one[1] < other[0] or other[1] < one[0])


def compare_sides(
    a: FlightSet, b: FlightSet, by_name: Mapping[str, float], share: float
) -> tuple[MeasureChange, ...]:
    """Each measure of both sides by its own statistic, at a level that holds for all measures together."""
    named = named_in(a, b)
    found = []
    for name, source, one in named:
        sides = [
            tuple(value for value in numbers(side, name, source) if value is not None) for side in (a, b)
        ]
        band = band_of(name, one.limit, by_name, share)
        word, interval, says = _words(sides[0], sides[1], band, len(named))
        difference = float(np.mean(sides[1]) - np.mean(sides[0])) if sides[0] and sides[1] else None
        found.append(
            MeasureChange(
                name,
                one.unit,
                source,
                sides[0],
                sides[1],
                difference,
                interval,
                band,
                None,
                None,
                word,
                None,
                None,
                says,
            )
        )
    return tuple(found)


def _words(
    a: Sequence[float], b: Sequence[float], band: float | None, measures: int
) -> tuple[ChangeWord, Interval | None, str]:
    """What two sides' own statistics say together, and the interval that the difference must lie in."""
    if not a or not b:
        return "undecided", None, "not measured on both sides"
    if len(a) < 2 or len(b) < 2:
        return _one_against_many(a, b, measures)
    apart_at = 1 - LEVEL / measures / 2
    narrow = [interval_of(side, 1 - LEVEL) or (math.nan, math.nan) for side in (a, b)]
    between = narrow[1][0] - narrow[0][1], narrow[1][1] - narrow[0][0]
    if _are_apart(a, b, apart_at):
        return "changed", between, "each side's own interval lies apart from the other's"
    if band is not None and max(abs(end) for end in between) <= band:
        return "equivalent", between, "both sides' own intervals lie within the band of each other"
    return "undecided", between, "the two sides' own intervals neither part nor lie within the band"


def _one_against_many(
    a: Sequence[float], b: Sequence[float], measures: int
) -> tuple[ChangeWord, Interval | None, str]:
    """One flight against where one more of the others would lie."""
    one, many = (a, b) if len(a) < 2 else (b, a)
    expected = interval_of(many, 1 - LEVEL / measures, of_one_more=True)
    if expected is None:
        return "undecided", None, "one flight a side does not tell change from noise"
    if expected[0] <= one[0] <= expected[1]:
        return "undecided", None, "one flight, and it lies where one more of the other side would"
    return "changed", None, "one flight, and it lies where hardly any of the other side would"

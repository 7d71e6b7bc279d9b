"""Numbers of two sets side by side: as twins where every flight has one, else as independent samples.

The level of error is shared out: each family of numbers (uplink, link, surroundings, verdicts, measures) has its part,
and inside a family Holm's method holds it. So the chance of any false 'changed' in a whole comparison is LEVEL at most,
as far as the numbers behave as the t-test asks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from asflown.change.judge import Difference, paired, unpaired
from asflown.grade.statistics import holm

LEVEL = 0.05
"""Chance of any false 'changed' in a comparison of unchanged sets."""

Family = Literal["uplink", "link", "surroundings", "verdicts", "measures"]
SHARE: dict[Family, float] = {
    "uplink": 0.15,
    "link": 0.1,
    "surroundings": 0.1,
    "verdicts": 0.2,
    "measures": 0.45,
}
"""How LEVEL is shared out."""

Numbers = Sequence[float | None]


@dataclass(frozen=True, slots=True)
class Sample:
    """One number of A and B, flight by flight (None where it is not to be had), and its difference if one is known."""

    name: str
    unit: str
    a: Numbers
    b: Numbers
    difference: Difference | None
    matters_from: float = 0.0
    """A smaller difference of the means is never called changed."""

    def means(self) -> tuple[float, float]:
        """The mean of either side; NaN where no flight shows the number."""
        sides = [[value for value in side if value is not None] for side in (self.a, self.b)]
        one, other = (float(np.mean(side)) if side else math.nan for side in sides)
        return one, other


def sample(
    name: str,
    unit: str,
    a: Numbers,
    b: Numbers,
    *,
    twins: bool,
    matters_from: float = 0.0,
    constants: bool = False,
) -> Sample:
    """Puts a number of two sets side by side; with `twins`, entries of equal place belong together.

    With `constants`, numbers that do not vary are known never to, as those written in a script.
    """
    if twins:
        both = [(x, y) for x, y in zip(a, b, strict=True) if x is not None and y is not None]
        difference = paired([x for x, _ in both], [y for _, y in both])
    else:
        sides = [[value for value in side if value is not None] for side in (a, b)]
        difference = unpaired(sides[0], sides[1])
    if constants and difference is not None:
        difference = replace(difference, least_p=0.0)
    return Sample(name, unit, a, b, difference, matters_from)


def changed(samples: Sequence[Sample], family: Family, share: float = 1.0) -> list[Sample]:
    """Those of a family that changed, by Holm's method at `share` of the family's level; the surest first."""
    tested = [one for one in samples if one.difference is not None]
    p_values = [one.difference.p_changed() for one in tested if one.difference is not None]
    adjusted = holm(p_values)
    found = sorted((p, place) for place, p in enumerate(adjusted) if p <= LEVEL * SHARE[family] * share)
    return [tested[place] for _, place in found if _matters(tested[place])]


def _matters(one: Sample) -> bool:
    return one.difference is not None and abs(one.difference.mean) >= one.matters_from

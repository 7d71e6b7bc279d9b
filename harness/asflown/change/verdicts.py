"""Whether flights that passed fail now: of twins one by one, of independent sets by Fisher's exact test.

Only passes and failures count. A twin that changes its verdict was made to by what the two were given differently, so
that is certain for its seed; among independent sets chance may have done it, and the test says how likely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from asflown.change.samples import LEVEL, SHARE
from asflown.change.sets import FlightSet, FlownFlight

_DECIDED = {"pass": True, "fail": False}


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """How verdicts moved from A to B."""

    says: str
    because: str
    certain: bool
    """Of twins; else beyond chance."""
    decides: bool
    """All that moved moved the same way, or one way more often than chance has it."""


def verdict_change(
    a: FlightSet, b: FlightSet, pairs: Sequence[tuple[FlownFlight, FlownFlight]]
) -> VerdictChange | None:
    """What became of passes and failures; None where nothing did, or chance may have done it."""
    if pairs:
        return _of_twins(pairs)
    counts = [_counted(side) for side in (a, b)]
    if min(sum(side) for side in counts) == 0:
        return None
    p = float(stats.fisher_exact(np.array(counts)).pvalue)
    if p > LEVEL * SHARE["verdicts"]:
        return None
    passed = [f"{side[0]} of {sum(side)}" for side in counts]
    return VerdictChange(
        f"{passed[0]} flights passed in A and {passed[1]} in B", f"p = {p:.2g}", certain=False, decides=True
    )


def _counted(side: FlightSet) -> tuple[int, int]:
    """How many passed, and how many failed."""
    verdicts = [_DECIDED.get(one.grade.verdict) for one in side]
    return verdicts.count(True), verdicts.count(False)


def _of_twins(pairs: Sequence[tuple[FlownFlight, FlownFlight]]) -> VerdictChange | None:
    moved = [(_DECIDED.get(one.grade.verdict), _DECIDED.get(other.grade.verdict)) for one, other in pairs]
    worse, better = moved.count((True, False)), moved.count((False, True))
    if not worse and not better:
        return None
    parts = []
    if worse:
        parts.append(f"{worse} of {sum(one is True for one, _ in moved)} seeds that passed in A fail in B")
    if better:
        parts.append(f"{better} of {sum(one is False for one, _ in moved)} seeds that failed in A pass in B")
    p = float(stats.binomtest(worse, worse + better).pvalue)  # McNemar's exact test
    decides = min(worse, better) == 0 or p <= LEVEL * SHARE["verdicts"]
    return VerdictChange("; ".join(parts), "twins, seed by seed", certain=True, decides=decides)

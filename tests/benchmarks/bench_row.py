"""One measured target: what is compared, how often, and how well the least of the repetitions is known.

Ratios point one way: how many times as fast (or as good) as the baseline; larger is better in every row.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import hypot

REPETITIONS = 5
Work = Callable[[], object]


@dataclass(frozen=True)
class Row:
    """One measured target. Either `ratio` or `value` is what the target speaks of; `ratio` alone is compared later."""

    name: str
    value: float
    unit: str
    baseline: float
    against: str
    ratio: float
    spread: float
    """How well `ratio` is known, as a share of it: from how far the repetitions lie apart."""
    repetitions: int
    target: str
    met: bool


@dataclass(frozen=True)
class Bench:
    """Rows that are measured together; their names are known before."""

    names: tuple[str, ...]
    measure: Callable[[], list[Row]]


def seconds(run: Work) -> float:
    """Wall time of one call."""
    begin = time.perf_counter()
    run()
    return time.perf_counter() - begin


def spread_of_least(times: Sequence[float]) -> float:
    """How well the least of these times is known, as a share: the way from the least to the next.

    Slow repetitions do not count, as they do not for the least itself.
    """
    least, second = sorted(times)[:2]
    return (second - least) / least


def spread_of_median(values: Sequence[float]) -> float:
    """How well the median is known, as a share: half the distance between its neighbours."""
    ordered, middle = sorted(values), len(values) // 2
    return (ordered[middle + 1] - ordered[middle - 1]) / 2 / statistics.median(ordered)


def row_of_times(
    name: str,
    ours: Sequence[float],
    theirs: Sequence[float],
    against: str,
    *,
    at_least: float | None = None,
    at_most_s: float | None = None,
) -> Row:
    """The row of alternating times in seconds: `at_least` so many times as fast, or within `at_most_s`."""
    value, baseline = min(ours), min(theirs)
    spread = hypot(spread_of_least(ours), spread_of_least(theirs))
    if at_least is not None:
        target, met = f">= {at_least:g}x", baseline / value >= at_least
    else:
        assert at_most_s is not None
        target, met = f"<= {at_most_s:g} s", value <= at_most_s
    return Row(name, value, "s", baseline, against, baseline / value, spread, len(ours), target, met)


def compared(
    name: str,
    ours: Work,
    theirs: Work,
    against: str,
    *,
    at_least: float | None = None,
    at_most_s: float | None = None,
) -> Row:
    """Times `ours` and `theirs` by turns; one call of each beforehand warms up."""
    ours(), theirs()
    times = [(seconds(ours), seconds(theirs)) for _ in range(REPETITIONS)]
    mine, others = zip(*times, strict=True)
    return row_of_times(name, mine, others, against, at_least=at_least, at_most_s=at_most_s)


YARDSTICK = "a fixed piece of Python and NumPy"


def yardstick() -> float:
    """The baseline where the target is a time: the same work in each run, half in the interpreter, half in NumPy."""
    import numpy as np

    total, table = 0.0, {}
    for number in range(400_000):
        table[number % 1_000] = total
        total += number * 0.5 - table.get(number % 777, 0.0) * 1e-9
    points = np.arange(600_000, dtype=np.float64).reshape(-1, 3)
    for _ in range(12):
        points = np.cumsum(np.sqrt(points * points + 1.0), axis=0) / len(points)
    return total + float(points.sum())


def shown(row: Row) -> str:
    """One line for a person."""
    beside = f"{row.ratio:.3g}x of {row.against} ({row.baseline:.3g} {row.unit})"
    return f"{'met   ' if row.met else 'MISSED'} {row.name}: {row.value:.3g} {row.unit}, {beside}; target {row.target}"

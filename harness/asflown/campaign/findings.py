"""What a campaign shows: how likely a flight passes, which conditions drive failure, and the flights to look at.

A condition's part is told by the rank correlation of its values with the worst margin (Spearman; Kruskal-Wallis for
words), corrected for their number (Holm). A small tree of questions says where failures lie; it is a description of
these flights, not a test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from asflown.campaign.flying import Outcome
from asflown.campaign.plan import number_of
from asflown.frames import FloatArray
from asflown.grade.statistics.multiple import holm
from asflown.grade.statistics.proportion import Interval, clopper_pearson

CONFIDENCE = 0.95
_LEAST_FLIGHTS = 8
_LEAST_LEAF, _DEEPEST = 0.05, 2


@dataclass(frozen=True, slots=True)
class Driver:
    """How much a condition has to do with the worst margin."""

    name: str
    correlation: float | None
    """Of ranks, from -1 (more of it, smaller margins) to 1; None for words."""
    p_value: float
    """Corrected for the number of conditions."""


@dataclass(frozen=True, slots=True)
class Findings:
    """Over the flights that could be flown."""

    flights: int
    passed: int
    errors: int
    pass_share: Interval | None
    drivers: tuple[Driver, ...]
    """The strongest first."""
    questions: tuple[str, ...]
    """Where failures lie, a line each."""
    worst: tuple[Outcome, ...]
    failing: tuple[tuple[str, int], ...]
    """Measures and rules that failed, and in how many flights."""


def find(outcomes: Sequence[Outcome], most_worst: int = 10) -> Findings:
    """The findings; flights that could not be flown are counted apart."""
    flown = [one for one in outcomes if one.verdict != "error"]
    passed = sum(one.verdict == "pass" for one in flown)
    share = clopper_pearson(passed, len(flown), CONFIDENCE) if flown else None
    failing: dict[str, int] = {}
    for one in flown:
        for name, margin in one.margins.items():
            if margin < 0:
                failing[name] = failing.get(name, 0) + 1
    worst = sorted(
        (one for one in flown if one.worst is not None), key=lambda one: (one.worst or 0.0, one.number)
    )
    return Findings(
        len(flown), passed, len(outcomes) - len(flown), share, tuple(_drivers(flown)),
        tuple(_questions(flown)), tuple(worst[:most_worst]),
        tuple(sorted(failing.items(), key=lambda pair: (-pair[1], pair[0]))),
    )  # fmt: skip


def _drivers(flown: Sequence[Outcome]) -> list[Driver]:
    from scipy import stats  # noqa: PLC0415  heavy, and reports of other things need none of it

    known = [one for one in flown if one.worst is not None]
    if len(known) < _LEAST_FLIGHTS:
        return []
    margins = np.array([one.worst for one in known])
    found: list[tuple[str, float | None, float]] = []
    for name in known[0].given:
        numbers = _numbers(known, name)
        if numbers is None:
            groups: dict[str, list[float]] = {}
            for one, margin in zip(known, margins, strict=True):
                groups.setdefault(one.given[name], []).append(float(margin))
            p_value = float(stats.kruskal(*groups.values()).pvalue) if len(groups) > 1 else 1.0
            found.append((name, None, p_value))
        elif np.ptp(numbers) == 0 or np.ptp(margins) == 0:
            found.append((name, 0.0, 1.0))
        else:
            answer = stats.spearmanr(numbers, margins)
            found.append((name, float(answer.statistic), float(answer.pvalue)))
    adjusted = holm([1.0 if np.isnan(p_value) else p_value for _, _, p_value in found])
    drivers = [Driver(name, rho, p) for (name, rho, _), p in zip(found, adjusted, strict=True)]
    return sorted(drivers, key=lambda driver: (driver.p_value, -abs(driver.correlation or 0.0), driver.name))


def _numbers(known: Sequence[Outcome], name: str) -> FloatArray | None:
    values = [number_of(one.given[name]) for one in known]
    return None if None in values else np.array(values, np.float64)


@dataclass(frozen=True, slots=True)
class _Split:
    """A question that parts flights: a condition above a number, or equal to a word."""

    name: str
    text: str
    inside: np.ndarray[tuple[int], np.dtype[np.bool_]]


def _questions(flown: Sequence[Outcome], depth: int = 0, before: str = "") -> list[str]:
    """The split that leaves the least mixture on both sides (Gini), and so on in each side."""
    failed = np.array([one.verdict != "pass" for one in flown], bool)
    if depth == _DEEPEST or len(flown) < _LEAST_FLIGHTS or failed.all() or not failed.any():
        return []
    least = max(3, round(_LEAST_LEAF * len(flown)))
    splits = [split for split in _splits(flown) if least <= split.inside.sum() <= len(flown) - least]
    if not splits:
        return []
    best = min(splits, key=lambda split: _mixture(failed, split.inside))
    if _mixture(failed, best.inside) > 0.9 * _gini(failed):
        return []
    lines = []
    for inside, words in ((best.inside, best.text), (~best.inside, _otherwise(best))):
        told = f"{before}{words}"
        part = [one for one, kept in zip(flown, inside, strict=True) if kept]
        lines.append(f"{told}: {int(failed[inside].sum())} of {len(part)} fail")
        lines += _questions(part, depth + 1, f"{told}, ")
    return lines


def _splits(flown: Sequence[Outcome]) -> list[_Split]:
    found = []
    for name in flown[0].given:
        numbers = _numbers(flown, name)
        if numbers is None:
            for word in sorted({one.given[name] for one in flown}):
                inside = np.array([one.given[name] == word for one in flown])
                found.append(_Split(name, f"{short_name(name)} is {word}", inside))
            continue
        unit = flown[0].given[name].partition(" ")[2]
        for cut in np.unique(np.quantile(numbers, np.linspace(0.05, 0.95, 37))):
            text = f"{short_name(name)} above {cut:.3g} {unit}".rstrip()
            found.append(_Split(name, text, numbers > cut))
    return found


def _otherwise(split: _Split) -> str:
    if " above " in split.text:
        return split.text.replace(" above ", " up to ")
    return split.text.replace(" is ", " is not ")


def short_name(name: str) -> str:
    """Without the part that all conditions share."""
    return name.removeprefix("conditions.").replace(".", " ")


def _gini(failed: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float:
    share = float(failed.mean())
    return len(failed) * share * (1 - share)


def _mixture(
    failed: np.ndarray[tuple[int], np.dtype[np.bool_]], inside: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> float:
    return _gini(failed[inside]) + _gini(failed[~inside])

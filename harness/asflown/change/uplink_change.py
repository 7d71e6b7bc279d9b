"""Whether the scripts of two sets asked for other things: other steps, other values, or the same at other times.

Flights whose steps are of the same kinds in the same order are compared step by step. Which kinds of steps a set has
is compared by Fisher's exact test, as even an unchanged script may repeat a command or turn back when it must.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from asflown.change.samples import LEVEL, SHARE, Sample, changed, sample
from asflown.change.sets import FlightSet, FlownFlight
from asflown.change.twins import inputs_that_differ
from asflown.change.uplink import Step, align, steps
from asflown.change.words import listing, quantity

TOGETHER_M, TOGETHER_RAD = 0.3, 0.1
"""With one flight a side: places and headings asked for that are nearer than this count as equal, as each script lays
them on what it was told at its own start."""
TIMING_S = 0.02
"""A step that lasts longer or shorter by less is of no account."""
_METRES = frozenset({"forward", "right", "up", "north", "east", "x", "y", "z"})
_STRUCTURE_SHARE = 0.5
"""Of the uplink's level, for the order of steps; values and times have the rest."""

Steps = tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Decided:
    """Something that the scripts of A and B asked for differently."""

    says: str
    at_s: float | None
    """Flight time in A."""
    because: str
    sure: bool
    """Shown beyond chance, or by flights that cannot differ by chance."""
    timing: bool = False
    """The same was asked for, at other times."""


def unit_of(name: str) -> str:
    """The SI unit of a value of a step."""
    if name in _METRES:
        return "m"
    if "yaw" in name:
        return "rad"
    return "m/s" if name in {"vx", "vy", "vz"} else ""


def compare_uplinks(a: FlightSet, b: FlightSet, *, twins: bool, same_clock: bool) -> list[Decided]:
    """What was asked for differently, in the order of the flight; decisions before mere timing.

    On different clocks no common test is made: the first flights of both sides stand for them.
    """
    sides = [[steps(one) for one in side] for side in (a, b)]
    if not same_clock or (len(a) == 1 and len(b) == 1):
        return list(_one_each(a.flights[0], sides[0][0], b.flights[0], sides[1][0]))
    structure = _structure(sides[0], sides[1])
    if structure is not None and structure.sure:
        return [structure]
    keys = _usual(sides[0] + sides[1])
    kept = [[one if _keys(one) == keys else None for one in side] for side in sides]
    samples = [*_values(kept[0], kept[1], twins=twins)]
    times = [*_times(kept[0], kept[1], twins=twins)]
    found = changed([one.sample for one in (*samples, *times)], "uplink", 1 - _STRUCTURE_SHARE)
    decided = [one.told() for one in samples if one.sample in found]
    late = [one.told() for one in times if one.sample in found]
    return [*([] if structure is None else [structure]), *decided, *late]


def _keys(one: Steps) -> tuple[str, ...]:
    return tuple(step.key for step in one)


def _usual(flights: Sequence[Steps]) -> tuple[str, ...]:
    """The kinds of steps that most flights have."""
    return Counter(_keys(one) for one in flights).most_common(1)[0][0]


def _structure(a: Sequence[Steps], b: Sequence[Steps]) -> Decided | None:
    """Whether the kinds of steps differ between two sets; None when what is usual in A is so in B."""
    usual, theirs = _usual(a), _usual(b)
    counts = [[sum(_keys(one) == usual for one in side), len(side)] for side in (a, b)]
    table = [[has, all_of_them - has] for has, all_of_them in counts]
    p = float(stats.fisher_exact(np.array(table)).pvalue)
    level = LEVEL * SHARE["uplink"] * _STRUCTURE_SHARE
    always = counts[0][0] == counts[0][1] and counts[1][0] == 0
    if usual == theirs or not (p <= level or always):
        return None
    one = next(flight for flight in a if _keys(flight) == usual)
    other = next(flight for flight in b if _keys(flight) == theirs)
    says, at_s = _first_other(one, other)
    shares = [
        f"{has} of {all_of_them} flights of {side}"
        for (has, all_of_them), side in zip(counts, "AB", strict=True)
    ]
    because = f"{shares[0]} and {shares[1]} have the steps that are usual in A"
    return Decided(says, at_s, because, sure=p <= level)


def _first_other(one: Steps, other: Steps) -> tuple[str, float | None]:
    """The first step that is of another kind, in words."""
    first = align(one, other).first_other
    if first is None:
        return "the steps are of the same kinds", None
    mine, theirs = (None if step is None else step.key for step in first)
    at_s = one[-1].end_s if first[0] is None else first[0].begin_s
    if theirs is None:
        return f"A sends {mine}, and B ends before", at_s
    if mine is None:
        return f"B sends {theirs} after all that A sends", at_s
    return f"where A sends {mine}, B sends {theirs}", at_s


@dataclass(frozen=True, slots=True)
class _StepSample:
    """One number of one step, over all flights."""

    sample: Sample
    number: int
    """Of the step, from 1."""
    key: str
    at_s: float
    timing: bool

    def told(self) -> Decided:
        one, other = self.sample.means()
        texts = quantity(one, self.sample.unit), quantity(other, self.sample.unit)
        does = "lasts" if self.timing else f"asks for {self.sample.name}"
        says = f"step {self.number} ({self.key}) {does} {texts[0]} in A and {texts[1]} in B"
        difference = self.sample.difference
        because = "" if difference is None else f"p = {difference.p_changed():.2g}, screened by Holm's method"
        return Decided(says, self.at_s, because, sure=True, timing=self.timing)


def _step_samples(
    a: Sequence[Steps | None], b: Sequence[Steps | None], *, twins: bool, timing: bool
) -> Iterator[_StepSample]:
    model = next((one for one in (*a, *b) if one is not None), ())
    in_a = [one for one in a if one is not None] or [model]
    for place, step in enumerate(model):
        at_s = sum(one[place].begin_s for one in in_a) / len(in_a)
        for index, name in enumerate(("",) if timing else step.names):
            sides = [[_number(one, place, index, timing=timing) for one in side] for side in (a, b)]
            unit = "s" if timing else unit_of(name)
            least = TIMING_S if timing else 1e-3 if unit in {"m", "rad", "m/s"} else 0.0
            found = sample(
                name, unit, sides[0], sides[1], twins=twins, matters_from=least, constants=not timing
            )
            yield _StepSample(found, place + 1, step.key, at_s, timing)


def _number(one: Steps | None, place: int, index: int, *, timing: bool) -> float | None:
    if one is None:
        return None
    if timing:
        return one[place].lasted_s
    values = one[place].values
    value = values[index] if index < len(values) else None
    return None if value is None or value != value else value  # noqa: PLR0124  not a number: not asked for


def _values(a: Sequence[Steps | None], b: Sequence[Steps | None], *, twins: bool) -> Iterator[_StepSample]:
    return _step_samples(a, b, twins=twins, timing=False)


def _times(a: Sequence[Steps | None], b: Sequence[Steps | None], *, twins: bool) -> Iterator[_StepSample]:
    return _step_samples(a, b, twins=twins, timing=True)


def _one_each(a: FlownFlight, of_a: Steps, b: FlownFlight, of_b: Steps) -> Iterator[Decided]:
    """One flight against one: other kinds of steps, or values farther apart than two starts explain."""
    aligned = align(of_a, of_b)
    for one, other in aligned.pairs:
        if names := _far_values(one, other):
            because = _inputs(a, one.begin_s, b, other.begin_s)
            yield Decided(f"{one.key} asks for {listing(names)}", one.begin_s, because, sure=True)
            break
    if aligned.first_other is not None:
        says, at_s = _first_other(of_a, of_b)
        theirs = aligned.first_other[1]
        b_s = of_b[-1].end_s if theirs is None and of_b else (0.0 if theirs is None else theirs.begin_s)
        yield Decided(says, at_s, _inputs(a, at_s or 0.0, b, b_s), sure=True)


def _far_values(one: Step, other: Step) -> list[str]:
    """`forward 8.00 m and 9.50 m` for each value that differs by more than two starts of one script explain."""
    far = []
    for name, mine, theirs in zip(one.names, one.values, other.values, strict=False):
        unit = unit_of(name)
        within = {"m": TOGETHER_M, "rad": TOGETHER_RAD}.get(unit, 1e-3 * abs(mine) + 1e-6)
        if abs(mine - theirs) > within:
            far.append(f"{name} {quantity(mine, unit)} and {quantity(theirs, unit)}")
    return far


def _inputs(a: FlownFlight, a_s: float, b: FlownFlight, b_s: float) -> str:
    """What the scripts had last received that differed."""
    found = list(inputs_that_differ(a, a_s, b, b_s))
    if not found:
        return "what they had just received was equal"
    return f"what they had just received differed, too: {listing(found, 2)}"

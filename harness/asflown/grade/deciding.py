"""Which part of a formula decides, and at which sample: the way down from the whole to one comparison or flag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.grade.robustness import Robustness
from asflown.scenario.formula import (
    Always,
    And,
    Eventually,
    Fall,
    Flag,
    Formula,
    Historically,
    Implies,
    Next,
    Not,
    Once,
    Or,
    Predicate,
    Rise,
    Since,
    Until,
)


@dataclass(frozen=True, slots=True)
class Moment:
    """Where a formula's robustness comes from: a comparison or flag, and the number of a sample."""

    leaf: Predicate | Flag
    sample: int
    holds_if: bool
    """False where the leaf stands under a `not`: the formula is better off when it does not hold."""

    def broken(self, robustness: Robustness) -> tuple[int, int] | None:
        """The samples about the deciding one, first and last, in which the leaf is against the formula.

        None where it is not.
        """
        return _run_about((robustness.of(self.leaf) < 0) == self.holds_if, self.sample)


@dataclass(frozen=True, slots=True)
class Part:
    """The part of a broken formula that is to hold all the time and does not, with the samples where it is broken."""

    formula: Formula
    first: int
    last: int


def broken_part(robustness: Robustness, formula: Formula) -> Part | None:
    """What is left of a formula behind its outermost `always` and `and`, where it is broken worst.

    None where the formula holds, and where an empty window decides.
    """
    sample = 0
    while robustness.of(formula)[sample] < 0:
        match formula:
            case Always():
                first, last = (int(number[sample]) for number in robustness.numbers(formula.window))
                if last <= first:
                    return None
                sample = first + int(np.argmin(robustness.of(formula.operand)[first:last]))
                formula = formula.operand
            case And():
                values = [robustness.of(operand)[sample] for operand in formula.operands]
                formula = formula.operands[int(np.argmin(values))]
            case _:
                run = _run_about(robustness.of(formula) < 0, sample)
                return None if run is None else Part(formula, *run)
    return None


def _run_about(wanted: npt.NDArray[np.bool_], sample: int) -> tuple[int, int] | None:
    """The first and last of the samples about `sample` that are all wanted; None where it is not."""
    if not wanted[sample]:
        return None
    others = np.flatnonzero(~wanted)
    place = int(np.searchsorted(others, sample))
    first = int(others[place - 1]) + 1 if place else 0
    last = int(others[place]) - 1 if place < len(others) else len(wanted) - 1
    return first, last


def decided_by(robustness: Robustness, formula: Formula, sample: int = 0) -> Moment | None:
    """The comparison or flag, and the sample, that the robustness at `sample` comes from.

    None where an empty window decides. A window's end between samples is told by the sample nearest to it.
    """
    return _trace_down(robustness, formula, sample, True)


def _trace_down(  # noqa: PLR0911  one return for each sort of operator
    at: Robustness, formula: Formula, sample: int, holds_if: bool
) -> Moment | None:
    match formula:
        case Predicate() | Flag():
            return Moment(formula, sample, holds_if)
        case Not():
            return _trace_down(at, formula.operand, sample, not holds_if)
        case And() | Or():
            pick = min if isinstance(formula, And) else max
            part = pick(formula.operands, key=lambda operand: at.of(operand)[sample])
            return _trace_down(at, part, sample, holds_if)
        case Implies():
            by_left = -at.of(formula.left)[sample] > at.of(formula.right)[sample]
            return _trace_down(at, formula.left if by_left else formula.right, sample, holds_if != by_left)
        case Until():
            return _trace_until(at, formula, sample, holds_if)
        case Since():
            return _trace_since(at, formula, sample, holds_if)
        case Next() | Rise() | Fall():
            return _trace_step(at, formula, sample, holds_if)
        case _:
            return _trace_window(at, formula, sample, holds_if)


def _trace_window(
    at: Robustness, formula: Always | Eventually | Once | Historically, sample: int, holds_if: bool
) -> Moment | None:
    past = isinstance(formula, Once | Historically)
    numbers = at.past_numbers(formula.window) if past else at.numbers(formula.window)
    first, last = (int(number[sample]) for number in numbers)
    if last <= first:
        return None
    inside = at.of(formula.operand)[first:last]
    number = np.argmin(inside) if isinstance(formula, Always | Historically) else np.argmax(inside)
    return _trace_down(at, formula.operand, first + int(number), holds_if)


def _trace_until(at: Robustness, until: Until, sample: int, holds_if: bool) -> Moment | None:
    first, last = (int(numbers[sample]) for numbers in at.numbers(until.window))
    if last <= first:
        return None
    left, right = at.of(until.left)[sample:last], at.of(until.right)[first:last]
    worst_left = np.minimum.accumulate(left)[first - sample :]
    best = int(np.argmax(np.minimum(worst_left, right)))
    if right[best] <= worst_left[best]:
        return _trace_down(at, until.right, first + best, holds_if)
    place = sample + int(np.argmin(left[: first - sample + best + 1]))
    return _trace_down(at, until.left, place, holds_if)


def _trace_since(at: Robustness, since: Since, sample: int, holds_if: bool) -> Moment | None:
    first, last = (int(numbers[sample]) for numbers in at.past_numbers(since.window))
    if last <= first:
        return None
    left, right = at.of(since.left)[first : sample + 1], at.of(since.right)[first:last]
    worst_left = np.minimum.accumulate(left[::-1])[::-1][: last - first]
    best = int(np.argmax(np.minimum(worst_left, right)))
    if right[best] <= worst_left[best]:
        return _trace_down(at, since.right, first + best, holds_if)
    return _trace_down(at, since.left, first + best + int(np.argmin(left[best:])), holds_if)


def _trace_step(at: Robustness, formula: Next | Rise | Fall, sample: int, holds_if: bool) -> Moment | None:
    values = at.of(formula.operand)
    if isinstance(formula, Next):
        return _trace_down(at, formula.operand, sample + 1, holds_if) if sample + 1 < len(values) else None
    if sample == 0:
        return None
    now, before = values[sample], -values[sample - 1]
    if isinstance(formula, Fall):
        now, before = -now, -before
    by_now = now <= before
    under_not = by_now == isinstance(formula, Fall)
    return _trace_down(at, formula.operand, sample if by_now else sample - 1, holds_if != under_not)

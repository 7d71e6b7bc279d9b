"""Robustness of a temporal logic formula over sampled signals: how far it is from turning.

Semantics: Donze & Maler (FORMATS 2010) with closed windows, `until` with its left side up to and at the moment of
its right side. Positive means satisfied, negative violated, and 0 counts as satisfied. A comparison's robustness
is the distance from its bound over its scale, a flag's is +1 or -1.

Policy at the end of the track: windows are cut off there, and what they still hold is what counts. An empty window
is +inf for `always` and -inf for `eventually` and `until`. Formulas are looked at where samples are; a whole
`always` or `eventually` over straight lines between samples is exact, the ends of a window are not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from asflown.frames import FloatArray
from asflown.grade import windows
from asflown.grade.windows import Numbers
from asflown.scenario.formula import (
    Always,
    And,
    Eventually,
    Flag,
    Formula,
    Implies,
    Not,
    Or,
    Predicate,
    Until,
    Window,
)


@dataclass(frozen=True, slots=True)
class Trace:
    """Signals on one time base: whole microseconds that rise, shape (n,), and values of the same shape."""

    time_us: Numbers
    signals: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True)
class Moment:
    """Where a formula's robustness comes from: a comparison or flag, and the number of a sample."""

    leaf: Predicate | Flag
    sample: int
    holds_if: bool
    """False where the leaf stands under a `not`: the formula is better off when it does not hold."""


class Robustness:
    """The robustness of every part of one formula over one trace; each part is worked out once."""

    def __init__(self, trace: Trace, *, in_units: bool = False) -> None:
        """With `in_units`, comparisons are measured in their own SI unit instead of their scale."""
        self._trace, self._in_units = trace, in_units
        self._known: dict[int, FloatArray] = {}

    def of(self, formula: Formula) -> FloatArray:
        """The robustness at each sample of the trace, shape (n,)."""
        known = self._known.get(id(formula))
        if known is None:
            known = self._known[id(formula)] = self._work_out(formula)
        return known

    def _work_out(self, formula: Formula) -> FloatArray:
        match formula:
            case Predicate():
                result = self._predicate(formula)
            case Flag():
                result = np.where(self._trace.signals[formula.signal] > 0, 1.0, -1.0)
            case Not():
                result = -self.of(formula.operand)
            case And():
                result = np.stack([self.of(part) for part in formula.operands]).min(axis=0)
            case Or():
                result = np.stack([self.of(part) for part in formula.operands]).max(axis=0)
            case Implies():
                result = np.maximum(-self.of(formula.left), self.of(formula.right))
            case Always():
                result = windows.smallest(self.of(formula.operand), *self._numbers(formula.window))
            case Eventually():
                result = windows.largest(self.of(formula.operand), *self._numbers(formula.window))
            case _:
                result = self._until(formula)
        return result

    def _predicate(self, predicate: Predicate) -> FloatArray:
        total = np.zeros(len(self._trace.time_us))
        for term in predicate.terms:
            total += term.factor * self._trace.signals[term.signal]
        over = total - predicate.bound
        signed = over if predicate.comparison in {">", ">="} else -over
        return signed if self._in_units else signed / predicate.scale

    def _numbers(self, window: Window) -> tuple[Numbers, Numbers]:
        """First and last sample (excluded) of the window looked at from each sample."""
        time_us = self._trace.time_us
        first = np.searchsorted(time_us, time_us + window.begin_us)
        if window.end_us is None:
            return first, np.full(len(time_us), len(time_us))
        return first, np.searchsorted(time_us, time_us + window.end_us, side="right")

    def _until(self, until: Until) -> FloatArray:
        """From the unbounded form, worked out backwards: that is exact, sample by sample.

        The right side must come within the window, and the left side must hold up to the window and from there
        on until the right side comes.
        """
        left, right = self.of(until.left), self.of(until.right)
        unbounded = np.empty(len(left) + 1)
        unbounded[-1] = -np.inf
        for number in range(len(left) - 1, -1, -1):
            unbounded[number] = min(left[number], max(right[number], unbounded[number + 1]))
        first, last = self._numbers(until.window)
        before = windows.smallest(left, np.arange(len(left)), first)
        comes = windows.largest(right, first, last)
        return np.minimum(np.minimum(before, comes), unbounded[first])

    def decided_by(self, formula: Formula, sample: int = 0) -> Moment | None:
        """The comparison or flag, and the sample, that the robustness at `sample` comes from.

        None where an empty window decides.
        """
        return self._trace_down(formula, sample, True)

    def _trace_down(self, formula: Formula, sample: int, holds_if: bool) -> Moment | None:
        match formula:
            case Predicate() | Flag():
                return Moment(formula, sample, holds_if)
            case Not():
                return self._trace_down(formula.operand, sample, not holds_if)
            case And() | Or():
                pick = min if isinstance(formula, And) else max
                part = pick(formula.operands, key=lambda operand: self.of(operand)[sample])
                return self._trace_down(part, sample, holds_if)
            case Implies():
                by_left = -self.of(formula.left)[sample] > self.of(formula.right)[sample]
                part = formula.left if by_left else formula.right
                return self._trace_down(part, sample, holds_if != by_left)
            case Always() | Eventually():
                return self._trace_window(formula, sample, holds_if)
            case Until():
                return self._trace_until(formula, sample, holds_if)

    def _trace_window(self, formula: Always | Eventually, sample: int, holds_if: bool) -> Moment | None:
        first, last = (int(numbers[sample]) for numbers in self._numbers(formula.window))
        if last <= first:
            return None
        inside = self.of(formula.operand)[first:last]
        number = np.argmin(inside) if isinstance(formula, Always) else np.argmax(inside)
        return self._trace_down(formula.operand, first + int(number), holds_if)

    def _trace_until(self, until: Until, sample: int, holds_if: bool) -> Moment | None:
        first, last = (int(numbers[sample]) for numbers in self._numbers(until.window))
        if last <= first:
            return None
        left, right = self.of(until.left)[sample:last], self.of(until.right)[first:last]
        worst_left = np.minimum.accumulate(left)[first - sample :]
        best = int(np.argmax(np.minimum(worst_left, right)))
        if right[best] <= worst_left[best]:
            return self._trace_down(until.right, first + best, holds_if)
        return self._trace_down(
            until.left, sample + int(np.argmin(left[: first - sample + best + 1])), holds_if
        )

"""Robustness of a temporal logic formula over sampled signals: how far it is from turning.

Semantics: Donze & Maler (FORMATS 2010) with closed windows, `until` with its left side up to and at the moment of
its right side, `since` its mirror image. Positive means satisfied, negative violated, and 0 counts as satisfied. A
comparison's robustness is the distance from its bound over its scale, a flag's is +1 or -1.

Policy at both ends of the track: windows are cut off there, and what they still hold is what counts. An empty window
is +inf for `always` and `historically` and -inf for the others. Formulas are looked at where samples are. The ends of
a window of `always` and `eventually` over comparisons lie between samples, and are looked at, too: see `exactness`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from asflown.frames import FloatArray
from asflown.grade import windows
from asflown.grade.exactness import is_momentary
from asflown.grade.windows import Numbers
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
    Window,
)


@dataclass(frozen=True, slots=True)
class Trace:
    """Signals on one time base: whole microseconds that rise, shape (n,), and values of the same shape."""

    time_us: Numbers
    signals: Mapping[str, FloatArray]
    steps: frozenset[str] = field(default=frozenset())
    """Signals that keep their last value between samples; the others change in straight lines."""

    def at(self, times_us: Numbers) -> Trace:
        """The signals at other times, which lie within those of the trace."""
        return Trace(times_us, {name: self._at(name, times_us) for name in self.signals}, self.steps)

    def _at(self, name: str, times_us: Numbers) -> FloatArray:
        if name in self.steps:
            return self.signals[name][np.searchsorted(self.time_us, times_us, side="right") - 1]
        return np.interp(times_us, self.time_us, self.signals[name])

    def backwards(self) -> Trace:
        """The same samples, the last one first."""
        mirrored = {name: values[::-1] for name, values in self.signals.items()}
        return Trace(self.time_us[-1] - self.time_us[::-1], mirrored, self.steps)


class Robustness:
    """The robustness of every part of one formula over one trace; each part is worked out once."""

    def __init__(self, trace: Trace, *, in_units: bool = False) -> None:
        """With `in_units`, comparisons are measured in their own SI unit instead of their scale."""
        self.trace, self._in_units = trace, in_units
        self._known: dict[int, tuple[Formula, FloatArray]] = {}

    def of(self, formula: Formula) -> FloatArray:
        """The robustness at each sample of the trace, shape (n,)."""
        if id(formula) not in self._known:
            self._known[id(formula)] = formula, self._work_out(formula)
        return self._known[id(formula)][1]

    def _work_out(self, formula: Formula) -> FloatArray:
        return _WAYS[type(formula)](self, formula)

    def predicate(self, predicate: Predicate) -> FloatArray:
        """How far the comparison is from its bound."""
        total = np.zeros(len(self.trace.time_us))
        for term in predicate.terms:
            total += term.factor * self.trace.signals[term.signal]
        over = total - predicate.bound
        signed = over if predicate.comparison in {">", ">="} else -over
        return signed if self._in_units else signed / predicate.scale

    def flag(self, flag: Flag) -> FloatArray:
        """+1 where the flag is set, -1 elsewhere."""
        return np.where(self.trace.signals[flag.signal] > 0, 1.0, -1.0)

    def window(self, formula: Always | Eventually, extreme: windows.Extreme) -> FloatArray:
        """The worst or best over the samples of the window, and at its very ends."""
        inside = extreme.over(self.of(formula.operand), *self.numbers(formula.window))
        if formula.window == Window() or not is_momentary(formula.operand):
            return inside
        for edge_us in (formula.window.begin_us, formula.window.end_us):
            if edge_us:
                inside = extreme.both(inside, self._shifted(formula.operand, edge_us, extreme.of_nothing))
        return inside

    def _shifted(self, formula: Formula, shift_us: int, beyond: float) -> FloatArray:
        """The robustness that much later than each sample; `beyond` where the track has ended."""
        times_us = self.trace.time_us + shift_us
        inside = times_us <= self.trace.time_us[-1]
        result = np.full(len(times_us), beyond)
        result[inside] = Robustness(self.trace.at(times_us[inside]), in_units=self._in_units).of(formula)
        return result

    def numbers(self, window: Window) -> tuple[Numbers, Numbers]:
        """First and last sample (excluded) of the window looked at from each sample."""
        time_us = self.trace.time_us
        first = np.searchsorted(time_us, time_us + window.begin_us)
        if window.end_us is None:
            return first, np.full(len(time_us), len(time_us))
        return first, np.searchsorted(time_us, time_us + window.end_us, side="right")

    def past_numbers(self, window: Window) -> tuple[Numbers, Numbers]:
        """First and last sample (excluded) of a window that lies in the past."""
        time_us = self.trace.time_us
        last = np.searchsorted(time_us, time_us - window.begin_us, side="right")
        if window.end_us is None:
            return np.zeros(len(time_us), np.int64), last
        return np.searchsorted(time_us, time_us - window.end_us), last

    def until(self, left: FloatArray, right: FloatArray, window: Window) -> FloatArray:
        """From the unbounded form, worked out backwards: that is exact, sample by sample.

        The right side must come within the window, and the left side must hold up to the window and from there
        on until the right side comes.
        """
        unbounded, later = [-np.inf], -np.inf
        for held, comes_now in zip(left[::-1].tolist(), right[::-1].tolist(), strict=True):
            later = min(held, max(comes_now, later))
            unbounded.append(later)
        first, last = self.numbers(window)
        before = windows.smallest(left, np.arange(len(left)), first)
        comes = windows.largest(right, first, last)
        result: FloatArray = np.minimum(np.minimum(before, comes), np.array(unbounded[::-1])[first])
        return result

    def since(self, formula: Since) -> FloatArray:
        """`until`, with time running the other way."""
        mirrored = Robustness(self.trace.backwards(), in_units=self._in_units)
        return mirrored.until(self.of(formula.left)[::-1], self.of(formula.right)[::-1], formula.window)[::-1]

    def next(self, operand: Formula) -> FloatArray:
        """The next sample's robustness; -inf at the last one."""
        return np.append(self.of(operand)[1:], -np.inf)

    def edge(self, values: FloatArray) -> FloatArray:
        """How clearly `values` is positive now and was negative at the sample before; -inf at the first one."""
        result: FloatArray = np.minimum(values, np.concatenate([[-np.inf], -values[:-1]]))
        return result


_WAYS: Mapping[type, Callable[[Robustness, Any], FloatArray]] = {
    Predicate: lambda at, f: at.predicate(f),
    Flag: lambda at, f: at.flag(f),
    Not: lambda at, f: -at.of(f.operand),
    And: lambda at, f: np.stack([at.of(part) for part in f.operands]).min(axis=0),
    Or: lambda at, f: np.stack([at.of(part) for part in f.operands]).max(axis=0),
    Implies: lambda at, f: np.maximum(-at.of(f.left), at.of(f.right)),
    Always: lambda at, f: at.window(f, windows.SMALLEST),
    Eventually: lambda at, f: at.window(f, windows.LARGEST),
    Historically: lambda at, f: windows.smallest(at.of(f.operand), *at.past_numbers(f.window)),
    Once: lambda at, f: windows.largest(at.of(f.operand), *at.past_numbers(f.window)),
    Until: lambda at, f: at.until(at.of(f.left), at.of(f.right), f.window),
    Since: lambda at, f: at.since(f),
    Next: lambda at, f: at.next(f.operand),
    Rise: lambda at, f: at.edge(at.of(f.operand)),
    Fall: lambda at, f: at.edge(-at.of(f.operand)),
}
"""Each way takes a node of its own row's type."""

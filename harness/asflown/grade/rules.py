"""Grades a scenario's rules on the signals of a track.

Time 0 of a rule is arming, or the first moment after it at which all its signals are known: what happens before is
not looked at. Signals are put on one time base, that of all their samples together. Between samples quantities
change in a straight line; flags, the battery's charge and voltage, and the heading keep their last value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from asflown.frames import FloatArray
from asflown.grade.deciding import Moment, broken_part, decided_by
from asflown.grade.exactness import is_exact
from asflown.grade.result import RuleGraded, Source
from asflown.grade.robustness import Robustness, Trace
from asflown.grade.windows import Numbers
from asflown.record.series import Series
from asflown.scenario.formula import Flag, Formula, Not, Predicate, operands_of, signals_of
from asflown.scenario.model import Rule
from asflown.scenario.rules import parse_rule
from asflown.scenario.signal_names import SIGNALS
from asflown.units import format_quantity

_KEEPS_LAST_VALUE = frozenset({"battery", "voltage", "heading"})


def grade_rule(rule: Rule, signals: Mapping[str, Series], source: Source, from_s: float) -> RuleGraded:
    """`rule` over `signals` from flight time `from_s` on. Raises FormulaProblem for a rule that is none."""
    formula = parse_rule(rule)
    names = signals_of(formula)
    missing = [name for name in names if name not in signals]
    if missing:
        return not_graded(rule, source, what_is_missing(missing, source))
    trace = trace_of({name: signals[name] for name in names}, from_s)
    if not len(trace.time_us):
        return not_graded(rule, source, f"there are no samples of {' and '.join(names)} after arming")
    return _graded(rule, formula, trace, source)


def what_is_missing(signals: list[str], source: Source) -> str:
    """`the capture has no tilt (estimate)`; of a mode, that the capture does not tell it."""
    modes = [name.removeprefix("mode is ") for name in signals if name.startswith("mode is ")]
    others = [name for name in signals if not name.startswith("mode is ")]
    parts = [f"the capture has no {' and no '.join(others)}"] if others else []
    parts += [f"the capture does not tell when the mode is {' or '.join(modes)}"] if modes else []
    return f"{', and '.join(parts)} ({source})"


def _graded(rule: Rule, formula: Formula, trace: Trace, source: Source) -> RuleGraded:
    normalised = Robustness(trace)
    value = float(normalised.of(formula)[0])
    moment = decided_by(normalised, formula)
    if moment is None or not np.isfinite(value):
        return not_graded(rule, source, "the flight ended before the time that the rule speaks of")
    unit = _one_unit(formula)
    in_unit = float(Robustness(trace, in_units=True).of(formula)[0]) if unit else None
    at_s = float(trace.time_us[moment.sample]) / 1e6
    says = _says(moment, trace, at_s)
    part, broken_s = "", None
    if value < 0:
        part, broken_s = _broken(moment, normalised, formula)
        says += _interval(part, broken_s, is_leaf=part == moment.leaf.text)
    return RuleGraded(
        rule.name, _text(rule), value, unit, in_unit, source, at_s, says, is_exact(formula), part, broken_s
    )


def _broken(
    moment: Moment, robustness: Robustness, formula: Formula
) -> tuple[str, tuple[float, float] | None]:
    """The part that broke the formula, as it is written, and from when to when.

    Where the whole formula is looked at once, that is the comparison or flag that decides, and how long it was so.
    """
    part = broken_part(robustness, formula)
    text, run = moment.leaf.text, moment.broken(robustness)
    if part is not None and part.formula is not formula and _bare(part.formula) is not moment.leaf:
        text, run = part.formula.text, (part.first, part.last)
    if run is None and part is not None:
        text, run = part.formula.text, (part.first, part.last)
    if run is None:
        return text, None
    begin_s, end_s = (float(robustness.trace.time_us[number]) / 1e6 for number in run)
    return text, (begin_s, end_s)


def _bare(formula: Formula) -> Formula:
    """What stands behind any `not`."""
    while isinstance(formula, Not):
        formula = formula.operand
    return formula


def _interval(part: str, broken_s: tuple[float, float] | None, *, is_leaf: bool) -> str:
    """`, which was so from 11.9 s to 14.2 s`, or `; `a implies b` is broken from 11.9 s to 14.2 s`."""
    if broken_s is None:
        return ""
    begin_s, end_s = broken_s
    when = f"from {begin_s:.1f} s to {end_s:.1f} s" if end_s > begin_s else f"at {begin_s:.1f} s alone"
    return f", which was so {when}" if is_leaf else f"; `{part}` is broken {when}"


def not_graded(rule: Rule, source: Source, reason: str) -> RuleGraded:
    """`rule` without a robustness, and why."""
    return RuleGraded(rule.name, _text(rule), None, "", None, source, None, f"not measurable: {reason}")


def _text(rule: Rule) -> str:
    """The rule as a formula; the short form's operator holds over all of its text."""
    if rule.always is None:
        return rule.formula or ""
    several = re.search(r"\b(and|or|implies|until|since)\b|,", rule.always)
    return f"always ({rule.always})" if several else f"always {rule.always}"


def trace_of(signals: Mapping[str, Series], from_s: float) -> Trace:
    """The signals on all their times together, from where each of them has begun."""
    if not all(len(signal) for signal in signals.values()):
        return Trace(np.empty(0, np.int64), {})
    begin_s = max(from_s, *(float(signal.time_s[0]) for signal in signals.values()))
    times_us = np.unique(np.concatenate([_microseconds(signal) for signal in signals.values()]))
    times_us = times_us[times_us >= round(begin_s * 1e6)]
    steps = frozenset(name for name in signals if keeps_value(name))
    return Trace(times_us, {name: _on(signal, times_us, name) for name, signal in signals.items()}, steps)


def _microseconds(signal: Series) -> Numbers:
    return np.rint(signal.time_s * 1e6).astype(np.int64)


def _on(signal: Series, times_us: Numbers, name: str) -> FloatArray:
    own_us = _microseconds(signal)
    if keeps_value(name):
        return signal.values[np.maximum(np.searchsorted(own_us, times_us, side="right") - 1, 0)]
    return np.interp(times_us, own_us, signal.values)


def keeps_value(name: str) -> bool:
    """Whether the signal keeps its last value between samples, instead of changing in a straight line."""
    return name not in SIGNALS or SIGNALS[name].dimension is None or name in _KEEPS_LAST_VALUE


def _one_unit(formula: Formula) -> str:
    """The SI unit of all comparisons in `formula`, empty when there are several or a flag is among them."""
    units = set(_units(formula))
    return units.pop() if len(units) == 1 else ""


def _units(formula: Formula) -> list[str]:
    match formula:
        case Predicate():
            return [formula.dimension.si_symbol]
        case Flag():
            return [""]
        case _:
            return [unit for operand in operands_of(formula) for unit in _units(operand)]


def _says(moment: Moment, trace: Trace, at_s: float) -> str:
    """`height is 5.31 m at 12.3 s, against height < 4.5 m`."""
    leaf = moment.leaf
    if isinstance(leaf, Flag):
        holds = trace.signals[leaf.signal][moment.sample] > 0
        return f"`{leaf.signal}` is {'true' if holds else 'false'} at {at_s:.1f} s"
    value = sum(term.factor * trace.signals[term.signal][moment.sample] for term in leaf.terms)
    shown = format_quantity(float(value), leaf.dimension.si_symbol)
    what = leaf.terms[0].signal if _is_plain(leaf) else "the left side"
    against = "" if moment.holds_if else "not "
    return f"{what} is {shown} at {at_s:.1f} s, against {against}`{leaf.text or leaf.comparison}`"


def _is_plain(leaf: Predicate) -> bool:
    return len(leaf.terms) == 1 and leaf.terms[0].factor == 1.0

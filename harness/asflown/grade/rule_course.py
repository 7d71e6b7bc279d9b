"""How a rule stood over the flight, moment by moment: for pictures, not for the verdict.

`always` and `eventually` at the very outside say one thing of the whole flight, or of its first seconds; what people
want to see is the condition inside. So they are taken off: the course of `always height < 4.5 m` is that of
`height < 4.5 m`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from asflown.grade.robustness import Robustness
from asflown.grade.rules import trace_of
from asflown.record.series import Series
from asflown.scenario.formula import Always, Eventually, Formula, signals_of
from asflown.scenario.model import Rule
from asflown.scenario.rules import parse_rule


def rule_course(rule: Rule, signals: Mapping[str, Series], from_s: float) -> Series | None:
    """Normalised robustness of the rule's condition over flight time; None where the capture does not have it.

    Raises FormulaProblem for a rule that is none.
    """
    formula = _condition(parse_rule(rule))
    names = signals_of(formula)
    if any(name not in signals for name in names):
        return None
    trace = trace_of({name: signals[name] for name in names}, from_s)
    if not len(trace.time_us):
        return None
    values = Robustness(trace).of(formula)
    known = np.isfinite(values)
    return Series(trace.time_us[known] / 1e6, values[known]) if known.any() else None


def _condition(formula: Formula) -> Formula:
    while isinstance(formula, Always | Eventually):
        formula = formula.operand
    return formula

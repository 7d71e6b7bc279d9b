"""Numbers as people read them: with their unit, angles in degrees, shares in per cent.

This is the edge where SI ends; files for machines keep SI. The same number reads the same in every report.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from asflown.grade.result import VerdictWord
from asflown.scenario.model import Limit
from asflown.units import UNITS, Dimension, format_quantity

_DIMENSIONS = {dimension.si_symbol: dimension for dimension in Dimension}
_PLACES_WITHOUT_UNIT = 2
SIGNS: dict[VerdictWord, str] = {"pass": "✓", "fail": "✗", "inconclusive": "?", "error": "!"}
"""Beside a verdict's colour, for eyes that do not tell colours apart."""
MARGIN = "A margin is 0 at the limit, negative beyond it, and 1 when nothing of an upper limit is used up."


def quantity(value: float | None, unit: str) -> str:
    """`0.42 m`, `12.3 deg`, `85.0 %`, `0.42` for a number without a unit, `not measurable` for None."""
    if value is None:
        return "not measurable"
    if unit in _DIMENSIONS and math.isfinite(value):
        return format_quantity(value, unit)
    return f"{value:.{_PLACES_WITHOUT_UNIT}f} {unit}".rstrip()


def limit(allowed: Limit, unit: str) -> str:
    """`at most 0.8 m`, `at least 2.5 s`, `30 to 90 s`."""
    if allowed.at_most is not None:
        return f"at most {_bound(allowed.at_most, unit)}"
    if allowed.at_least is not None:
        return f"at least {_bound(allowed.at_least, unit)}"
    low, high = allowed.between or (math.nan, math.nan)
    return f"{_bound(low, unit).partition(' ')[0]} to {_bound(high, unit)}"


def margin(value: float | None) -> str:
    """A signed margin: `+0.48`; `?` where the evidence does not decide. Never rounds a violation to zero."""
    if value is None:
        return "?"
    if not math.isfinite(value):
        return f"{value:+}"
    text = f"{value:+.2f}"
    return text if float(text) != 0 or value == 0 else f"{value:+.1g}"


def seconds(value: float | None) -> str:
    """A flight time: `22.1 s`; empty when there is none."""
    return "" if value is None else f"{value:.1f} s"


def listing(names: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(names) <= 1:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def count(number: int, noun: str) -> str:
    """`1 flight`, `3 flights`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _bound(value: float, unit: str) -> str:
    """A limit as its author wrote it: no trailing zeros, no noise from a change of unit."""
    dimension = _DIMENSIONS.get(unit)
    if dimension is None:
        return f"{value:.6g} {unit}".rstrip()
    shown = UNITS[dimension.usual_unit]
    return f"{value / float(shown.to_si):.6g} {shown.symbol}"

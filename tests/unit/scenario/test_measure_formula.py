"""Measures worded by a formula: what they are read as, their units, and where mistakes are placed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.errors import FormulaProblem
from asflown.scenario.measure_formula import Number, Operate, Signal, parse_measure_formula
from asflown.units import Dimension

DIMENSIONS = {
    "max(climb_rate)": Dimension.SPEED,
    "p95(abs(cross_track)) at leg 3": Dimension.LENGTH,
    "mean(speed - 2 m/s) while mode is position-hold": Dimension.SPEED,
    "rms(cross_track / distance)": Dimension.SHARE,
    "max(2 * battery * height)": Dimension.LENGTH,
    "min(larger(height, distance / 2) - 30 cm)": Dimension.LENGTH,
    "p99.5(-tilt) while height > 2 m and not on_ground": Dimension.ANGLE,
    "change(voltage)": Dimension.VOLTAGE,
}


@pytest.mark.parametrize(("text", "dimension"), DIMENSIONS.items())
def test_units_are_kept_account_of(text: str, dimension: Dimension) -> None:
    """A measure is of the kind its expression is of."""
    assert parse_measure_formula(text).dimension is dimension


def test_what_is_read() -> None:
    """Products bind tighter than sums, both from the left; numbers are SI."""
    formula = parse_measure_formula("max(height - 2 * distance - 50 cm)")
    twice = Operate("*", (Number(2.0), Signal("distance")))
    assert formula.expression == Operate("-", (Operate("-", (Signal("height"), twice)), Number(0.5)))
    assert formula.signals() == ("height", "distance")


def test_a_condition_speaks_of_signals_too() -> None:
    """Signals of the condition are needed as well."""
    assert parse_measure_formula("max(height) at leg 2").signals() == ("height", "leg 2")
    assert parse_measure_formula("p5(height) while armed").percentile == 5


MISTAKES = {
    "no unit": ("max(height - 3)", 13, "a length and a plain number cannot be put together with `-`"),
    "other units": ("max(height + speed)", 13, "a length and a speed cannot be put together with `+`"),
    "product of lengths": ("max(height * height)", 13, "a length cannot be combined with a length by `*`"),
    "aggregate": ("maxx(height)", 0, "there is no aggregate `maxx`"),
    "percentile": ("p0(height)", 0, "there is no aggregate `p0`"),
    "signal": ("max(hight)", 4, "there is no signal `hight`"),
    "flag": ("max(on_ground)", 4, "`on_ground` is true or false"),
    "leg": ("max(height) at leg 0", 19, "`0` is no leg"),
    "condition": ("max(height) while hight > 2 m", 18, "there is no signal `hight`"),
    "no signal": ("max(3 m)", 0, "`max(3 m)` speaks of no signal"),
    "unit": ("max(height - 3 furlongs)", 13, "`3 furlongs` has an unknown unit `furlongs`"),
    "open": ("max(height", 10, "the formula stops too early"),
    "more": ("max(height) + 2", 12, "`+` is not understood here"),
    "empty": ("", 0, "the formula stops too early"),
    "long": ("max(" + "height+" * 300 + "height)", 2000, "the formula is longer than 2000 characters"),
    "deep": ("max(" + "-" * 60 + "height)", 0, "the formula is nested deeper than 40 levels"),
}


@pytest.mark.parametrize(("text", "offset", "problem"), MISTAKES.values(), ids=MISTAKES.keys())
def test_mistakes_stand_at_their_character(text: str, offset: int, problem: str) -> None:
    """Each mistake says what is wrong, at its character."""
    with pytest.raises(FormulaProblem) as found:
        parse_measure_formula(text)
    assert (found.value.offset, found.value.problem) == (offset, problem)


@given(st.text(alphabet="maxinp95(),+-*/ .0123ehgtwlk abs", max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Nothing but FormulaProblem comes out of any text, with an offset inside it."""
    offset = 0
    try:
        parse_measure_formula(text)
    except FormulaProblem as problem:
        offset = problem.offset
    assert 0 <= offset <= len(text)

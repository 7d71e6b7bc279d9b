"""Robustness against published definitions and the values of an independent monitor, section 5 of the outside checks.

Signals: x = 1, 2, 3, -1, 5 and y = -1, -2, 4, 1, -1, one sample a second.
Sources: Fainekos & Pappas, TCS 410, 2009; Donze & Maler, FORMATS 2010; rtamt 0.4.10 (values, half-open until aside).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.frames import FloatArray
from asflown.grade.robustness import Robustness, Trace
from asflown.scenario.formula import (
    Always,
    And,
    Comparison,
    Eventually,
    Formula,
    Historically,
    Implies,
    Not,
    Once,
    Predicate,
    Since,
    Term,
    Until,
    Window,
)
from asflown.units import Dimension

X = (1.0, 2.0, 3.0, -1.0, 5.0)
Y = (-1.0, -2.0, 4.0, 1.0, -1.0)


def compare(signal: str, comparison: Comparison, bound: float) -> Predicate:
    """A comparison whose robustness is the plain distance from its bound."""
    return Predicate((Term(signal, 1.0),), comparison, bound, 1.0, Dimension.LENGTH)


def seconds(begin: float, end: float | None) -> Window:
    """A window in seconds."""
    return Window(round(begin * 1e6), None if end is None else round(end * 1e6))


def robustness(formula: Formula, **signals: tuple[float, ...]) -> FloatArray:
    """At each of the samples, one a second."""
    values = {name: np.array(samples) for name, samples in (signals or {"x": X, "y": Y}).items()}
    count = len(next(iter(values.values())))
    return Robustness(Trace(np.arange(count) * 1_000_000, values)).of(formula)


X0, Y0 = compare("x", ">=", 0), compare("y", ">=", 0)

ROWS: dict[str, tuple[Formula, tuple[float, ...]]] = {
    "OC-STL-01 always": (Always(X0), (-1, -1, -1, -1, 5)),
    "OC-STL-02 eventually": (Eventually(X0), (5, 5, 5, 5, 5)),
    "OC-STL-03 closed window": (Always(X0, seconds(0, 2)), (1, -1, -1, -1, 5)),
    "OC-STL-04 eventually past the end": (
        Eventually(compare("x", ">=", 4), seconds(1, 2)),
        (-1, -1, 1, 1, -math.inf),
    ),
    "OC-STL-04 always past the end": (Always(X0, seconds(1, 2)), (2, -1, -1, 5, math.inf)),
    "OC-STL-05 until": (Until(X0, Y0, seconds(0, 3)), (1, 2, 3, -1, -1)),
    "OC-STL-07 and": (And((compare("x", ">=", 2), compare("x", "<=", 4))), (-1, 0, 1, -3, -1)),
    "OC-STL-07 not": (Not(compare("x", ">=", 2)), (1, 0, -1, 3, -3)),
    "OC-STL-08 implies": (
        Always(Implies(compare("x", ">=", 2), Eventually(compare("x", ">=", 3), seconds(0, 1)))),
        (0, 0, 0, 2, 2),
    ),
    "OC-STL-09 once": (Once(X0, seconds(0, 1)), (1, 2, 3, 3, 5)),
    "OC-STL-09 historically": (Historically(X0, seconds(0, 1)), (1, 1, 2, -1, -1)),
    "OC-STL-10 nesting": (Eventually(Always(X0, seconds(0, 1)), seconds(0, 2)), (2, 2, 5, 5, 5)),
}


@pytest.mark.parametrize(("formula", "expected"), ROWS.values(), ids=ROWS.keys())
def test_robustness(formula: Formula, expected: tuple[float, ...]) -> None:
    """The robustness at each sample is the published one, exactly."""
    assert robustness(formula).tolist() == list(expected)


def test_duality() -> None:
    """OC-STL-11: always is the negated eventually of the negation, and has the tabled values."""
    v = compare("v", ">=", 0)
    signal = (0.5, 1.5, -0.5, 2.0, 0.25)
    always = robustness(Always(v, seconds(0, 2)), v=signal)
    eventually = robustness(Eventually(Not(v), seconds(0, 2)), v=signal)
    assert always.tolist() == (-eventually).tolist() == [-0.5, -0.5, -0.5, 0.25, 0.25]


HEIGHT = (0.0, 1.0, 2.0, 2.8, 3.0, 3.1, 3.0, 2.0, 0.5, 0.0)


@pytest.mark.parametrize(
    ("formula", "expected_m"),
    [
        (Always(compare("h", "<=", 4.5)), 1.4),
        (Eventually(compare("h", ">=", 2.8), seconds(0, 5)), 0.3),
    ],
    ids=["OC-STL-13 ceiling", "OC-STL-13 climbs promptly"],
)
def test_rules_of_a_flight(formula: Formula, expected_m: float) -> None:
    """OC-STL-13: the margins of two rules of a flight, in metres."""
    assert robustness(formula, h=HEIGHT)[0] == pytest.approx(expected_m, abs=1e-9)


def by_definition(  # noqa: PLR0911, C901 (one branch for each operator)
    formula: Formula, values: dict[str, tuple[float, ...]], at: int
) -> float:
    """The published definition, word for word and without any cleverness."""
    count = len(next(iter(values.values())))

    def window(span: Window) -> list[int]:
        end_s = math.inf if span.end_us is None else span.end_us / 1e6
        return [t for t in range(at, count) if span.begin_us / 1e6 <= t - at <= end_s]

    def past(span: Window) -> list[int]:
        end_s = math.inf if span.end_us is None else span.end_us / 1e6
        return [t for t in range(at + 1) if span.begin_us / 1e6 <= at - t <= end_s]

    match formula:
        case Predicate():
            over = values[formula.terms[0].signal][at] - formula.bound
            return over if formula.comparison in {">", ">="} else -over
        case Not():
            return -by_definition(formula.operand, values, at)
        case And():
            return min(by_definition(part, values, at) for part in formula.operands)
        case Implies():
            left = -by_definition(formula.left, values, at)
            return max(left, by_definition(formula.right, values, at))
        case Always():
            inside = [by_definition(formula.operand, values, t) for t in window(formula.window)]
            return min(inside, default=math.inf)
        case Eventually():
            inside = [by_definition(formula.operand, values, t) for t in window(formula.window)]
            return max(inside, default=-math.inf)
        case Until():
            left_s = [by_definition(formula.left, values, t) for t in range(count)]
            inside = [
                min(by_definition(formula.right, values, t), *left_s[at : t + 1])
                for t in window(formula.window)
            ]
            return max(inside, default=-math.inf)
        case Since():
            left_s = [by_definition(formula.left, values, t) for t in range(count)]
            inside = [
                min(by_definition(formula.right, values, t), *left_s[t : at + 1])
                for t in past(formula.window)
            ]
            return max(inside, default=-math.inf)
        case Historically():
            return min(
                (by_definition(formula.operand, values, t) for t in past(formula.window)), default=math.inf
            )
        case Once():
            return max(
                (by_definition(formula.operand, values, t) for t in past(formula.window)), default=-math.inf
            )
    raise AssertionError(formula)


NUMBERS = st.integers(-5, 5).map(float)
WINDOWS = st.one_of(
    st.just(seconds(0, None)),
    st.tuples(st.integers(0, 4), st.integers(0, 4)).map(lambda pair: seconds(pair[0], sum(pair))),
)
FORMULAS = st.recursive(
    st.builds(compare, st.sampled_from(["x", "y"]), st.sampled_from(["<=", ">="]), NUMBERS),
    lambda inner: st.one_of(
        st.builds(Not, inner),
        st.builds(lambda a, b: And((a, b)), inner, inner),
        st.builds(Implies, inner, inner),
        st.builds(Always, inner, WINDOWS),
        st.builds(Eventually, inner, WINDOWS),
        st.builds(Until, inner, inner, WINDOWS),
        st.builds(Since, inner, inner, WINDOWS),
        st.builds(Once, inner, WINDOWS),
        st.builds(Historically, inner, WINDOWS),
    ),
    max_leaves=5,
)
SAMPLES = st.lists(st.tuples(NUMBERS, NUMBERS), min_size=1, max_size=8)


@given(formula=FORMULAS, samples=SAMPLES)
def test_any_formula_is_as_defined(formula: Formula, samples: list[tuple[float, float]]) -> None:
    """Random formulas over random signals: the published definition, worked out word for word."""
    x, y = zip(*samples, strict=True)
    expected = [by_definition(formula, {"x": x, "y": y}, at) for at in range(len(samples))]
    assert robustness(formula, x=x, y=y).tolist() == expected


@given(formula=FORMULAS, samples=SAMPLES, disturbance=st.lists(st.floats(-1, 1), min_size=16, max_size=16))
def test_robustness_is_sound(
    formula: Formula, samples: list[tuple[float, float]], disturbance: list[float]
) -> None:
    """OC-STL-12: a disturbance smaller than the robustness cannot turn the verdict (Fainekos & Pappas)."""
    x, y = (np.array(column) for column in zip(*samples, strict=True))
    before = float(robustness(formula, x=tuple(x), y=tuple(y))[0])
    if before == 0 or not math.isfinite(before):
        return
    size = 0.999 * abs(before)
    moved_x = x + size * np.array(disturbance[: len(x)])
    moved_y = y + size * np.array(disturbance[8 : 8 + len(y)])
    after = float(robustness(formula, x=tuple(moved_x), y=tuple(moved_y))[0])
    assert after * before > 0

"""Robustness beside rtamt's discrete-time monitor on random formulas and traces (section 5 of the outside checks).

Differences of policy, and how they are met: rtamt asks the left side of `until` and `since` only up to the moment
before the right side (OC-STL-06), so it is asked for `A until (A and B)` here, which means what `A until B` means to
us; windows that reach beyond the trace are cut off by both.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from asflown.frames import FloatArray
from asflown.grade.robustness import Robustness, Trace
from asflown.scenario.formula import (
    Always,
    And,
    Eventually,
    Formula,
    Historically,
    Implies,
    Not,
    Once,
    Or,
    Predicate,
    Since,
    Term,
    Until,
    Window,
)
from asflown.units import Dimension

rtamt = pytest.importorskip("rtamt")
FORMULAS = 1000
PARTS = 10
KINDS = (*("not", "and", "or", "implies", "always", "eventually", "once", "historically", "until", "since"),)


def random_formula(random: np.random.Generator, depth: int) -> tuple[Formula, str]:
    """A formula, and the same in rtamt's words."""
    if depth == 0 or random.random() < 0.2:
        signal, comparison = str(random.choice(["x", "y"])), str(random.choice(["<=", ">="]))
        bound = float(random.integers(-5, 6))
        leaf = Predicate((Term(signal, 1.0),), comparison, bound, 1.0, Dimension.LENGTH)  # type: ignore[arg-type]
        return leaf, f"({signal} {comparison} {bound})"
    kind = str(random.choice(KINDS))
    one, text = random_formula(random, depth - 1)
    if kind in {"and", "or", "implies"}:
        two, other = random_formula(random, depth - 1)
        made = Implies(one, two) if kind == "implies" else (And if kind == "and" else Or)((one, two))
        return made, f"({text} {kind} {other})"
    if kind == "not":
        return Not(one), f"not({text})"
    begin = int(random.integers(0, 4))
    end = begin + int(random.integers(0, 4))
    window = Window(begin * 1_000_000, end * 1_000_000)
    if kind in {"until", "since"}:
        two, other = random_formula(random, depth - 1)
        joined = (Until if kind == "until" else Since)(one, two, window)
        return joined, f"({text} {kind}[{begin},{end}] ({text} and {other}))"
    node: Any = {"always": Always, "eventually": Eventually, "once": Once, "historically": Historically}[kind]
    return node(one, window), f"{kind}[{begin},{end}]({text})"


def by_rtamt(text: str, x: FloatArray, y: FloatArray) -> list[float]:
    """The robustness at each sample, by rtamt."""
    specification = rtamt.StlDiscreteTimeOfflineSpecification()
    specification.declare_var("x", "float")
    specification.declare_var("y", "float")
    specification.spec = text
    specification.parse()
    result = specification.evaluate({"time": list(range(len(x))), "x": x.tolist(), "y": y.tolist()})
    return [float(value) for _, value in result]


@pytest.mark.parametrize("part", range(PARTS))
def test_random_formulas_agree_with_rtamt(part: int) -> None:
    """A hundred formulas up to four deep over random traces: the same robustness at every sample."""
    random = np.random.default_rng(part)
    for _ in range(FORMULAS // PARTS):
        formula, text = random_formula(random, int(random.integers(1, 5)))
        x, y = (random.integers(-9, 10, 12).astype(float) for _ in range(2))
        ours = Robustness(Trace(np.arange(12) * 1_000_000, {"x": x, "y": y})).of(formula).tolist()
        theirs = by_rtamt(text, x, y)
        assert ours == theirs, text

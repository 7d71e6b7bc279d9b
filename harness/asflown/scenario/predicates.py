"""Builds predicates: sums of signals compared with a quantity, checked for what they measure.

Everything in one comparison must be of one dimension. Terms are gathered on the left and numbers on the right.
"""

from __future__ import annotations

import difflib
from dataclasses import replace
from typing import cast

from lark import Token, Tree

from asflown.errors import FormulaProblem, QuantityProblem
from asflown.scenario.formula import And, Comparison, Formula, Or, Predicate, Term
from asflown.scenario.signal_names import SIGNALS, SignalName
from asflown.units import UNITS, Dimension, parse_quantity, split_quantity


def known_signal(token: Token, *, is_flag: bool) -> SignalName:
    """The signal named by `token`, which is to be one of true and false (`is_flag`) or a quantity.

    Raises FormulaProblem for a name that is not known, and for a signal of the other sort.
    """
    signal = SIGNALS.get(str(token))
    if signal is None:
        near = difflib.get_close_matches(str(token), SIGNALS, n=1)
        hint = f"Did you mean `{near[0]}`?" if near else f"Signals are {', '.join(SIGNALS)}"
        raise FormulaProblem(token.start_pos or 0, f"there is no signal `{token}`", hint)
    if is_flag == (signal.dimension is None):
        return signal
    if signal.dimension is None:
        raise FormulaProblem(
            token.start_pos or 0,
            f"`{token}` is true or false",
            f"Write `{token}` or `not {token}`, and no comparison",
        )
    example = f"{token} < {signal.dimension.example}"
    raise FormulaProblem(
        token.start_pos or 0, f"`{token}` is compared with nothing", f"Write, say, `{example}`"
    )


def predicate_from(tree: Tree[Token], text: str) -> Predicate:
    """The predicate of a `comparison`: all signals are brought to the left and all numbers to the right.

    Raises FormulaProblem when units do not belong together, no signal is left, or a scale is missing.
    """
    left, comparison, right, scale = tree.children
    total = _Sum()
    total.add(cast("Tree[Token]", left), 1.0)
    total.add(cast("Tree[Token]", right), -1.0)
    return total.predicate(tree, cast("Token", comparison), cast("Token | None", scale), text)


def magnitude_from(tree: Tree[Token], text: str) -> Formula:
    """`abs(sum) < bound` as the two predicates it stands for; raises as `predicate_from` does."""
    signal, comparison, bound, scale = tree.children
    total = _Sum()
    total.add(cast("Tree[Token]", signal), 1.0)
    inner = total.number  # |s + n| < b is s < b - n and -s < b + n
    total.add_term(cast("Tree[Token]", bound), -1.0)
    size = abs(-total.number + inner)
    inside = total.predicate(tree, cast("Token", comparison), cast("Token | None", scale), text, size)
    mirrored = tuple(replace(term, factor=-term.factor) for term in inside.terms)
    pair = (inside, replace(inside, terms=mirrored, bound=inside.bound + 2 * inner))
    return And(pair, text) if inside.comparison in {"<", "<="} else Or(pair, text)


class _Sum:
    """A sum of signals and numbers of one dimension, gathered term by term."""

    def __init__(self) -> None:
        self.factors: dict[str, float] = {}
        self.number = 0.0
        self.dimension: Dimension | None = None
        self._decided_by = ""

    def add(self, linear: Tree[Token], factor: float) -> None:
        sign = 1.0
        for child in linear.children:
            if isinstance(child, Token):
                sign = -1.0 if child == "-" else 1.0
            else:
                self.add_term(child, sign * factor)

    def add_term(self, term: Tree[Token], factor: float) -> None:
        tokens = [child for child in term.children if isinstance(child, Token)]
        match term.data:
            case "signal":
                self.add_signal(tokens[0], factor)
            case "scaled":
                self.add_signal(tokens[1], factor * float(tokens[0]))
            case "divided":
                self.add_signal(tokens[0], factor / self._divisor(tokens[1]))
            case _:
                self.number += factor * self._quantity(tokens[0])

    def add_signal(self, token: Token, factor: float) -> None:
        signal = known_signal(token, is_flag=False)
        assert signal.dimension is not None
        self._agree(token, signal.dimension)
        self.factors[signal.name] = self.factors.get(signal.name, 0.0) + factor

    def predicate(
        self,
        tree: Tree[Token],
        comparison: Token,
        scale: Token | None,
        text: str,
        own_size: float | None = None,
    ) -> Predicate:
        terms = tuple(Term(name, factor) for name, factor in self.factors.items() if factor)
        if not terms or self.dimension is None:
            raise FormulaProblem(tree.meta.start_pos, f"`{text}` speaks of no signal", "Compare a signal")
        bound = -self.number or 0.0
        size = abs(bound) if own_size is None else own_size
        size = size if scale is None else self._quantity(scale)
        if size <= 0:
            remedy = f"Say what counts as 1: `{text} scale {self.dimension.example}`"
            if scale is not None:
                remedy = "Write a scale above zero"
            raise FormulaProblem(tree.meta.start_pos, f"`{text}` has no size to measure a margin by", remedy)
        return Predicate(terms, cast("Comparison", str(comparison)), bound, size, self.dimension, text)

    @staticmethod
    def _divisor(token: Token) -> float:
        if float(token) == 0:
            raise FormulaProblem(token.start_pos or 0, "nothing can be divided by 0", "Write another number")
        return float(token)

    def _quantity(self, token: Token) -> float:
        symbol = (split_quantity(token) or ("", ""))[1]
        if symbol in UNITS:
            self._agree(token, UNITS[symbol].dimension)
        dimension = self.dimension or Dimension.LENGTH
        try:
            return parse_quantity(token, dimension)
        except QuantityProblem as problem:
            raise FormulaProblem(token.start_pos or 0, problem.problem, problem.remedy) from problem

    def _agree(self, token: Token, dimension: Dimension) -> None:
        if self.dimension is None:
            self.dimension, self._decided_by = dimension, str(token)
        elif self.dimension is not dimension:
            problem = f"`{self._decided_by}` is a {self.dimension.noun}, but `{token}` is a {dimension.noun}"
            raise FormulaProblem(
                token.start_pos or 0, problem.replace("a angle", "an angle"), "Compare quantities of one kind"
            )

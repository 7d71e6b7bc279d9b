"""Reads a measure of the user's own, `p95(abs(climb_rate)) at leg 3`, with every error placed at its character.

An aggregate over the samples of an expression of signals, as a rule may speak of them, over the whole flight, over a
leg, or while a condition holds. Units are kept account of: what is added or compared must be of one kind, numbers
alone multiply and divide, and a quantity divided by another of its kind is a share.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, TypeAlias, cast

from lark import Lark, Token, Tree, UnexpectedCharacters, UnexpectedInput

from asflown.errors import FormulaProblem, QuantityProblem
from asflown.scenario.formula import Formula, signals_of
from asflown.scenario.places import nearest
from asflown.scenario.predicates import known_signal
from asflown.scenario.rules import KEYWORDS, LONGEST_TEXT, parse_formula
from asflown.units import UNITS, UNSIGNED_PATTERN, Dimension, parse_quantity, split_quantity

AGGREGATES = ("max", "min", "mean", "rms", "deviation", "first", "last", "change")
"""Beside them pNN, a percentile."""

Operation = Literal["+", "-", "*", "/", "abs", "hypot", "max", "min"]


@dataclass(frozen=True, slots=True)
class Signal:
    """A signal of the track."""

    name: str


@dataclass(frozen=True, slots=True)
class Number:
    """A number in SI."""

    value: float


@dataclass(frozen=True, slots=True)
class Operate:
    """One operation on one or two expressions, sample by sample."""

    operation: Operation
    operands: tuple[Expression, ...]


Expression: TypeAlias = Signal | Number | Operate


@dataclass(frozen=True, slots=True)
class MeasureFormula:
    """An aggregate over the samples of `expression` in SI units of `dimension`, where `condition` holds."""

    aggregate: str
    percentile: float | None
    """Where the aggregate is one."""
    expression: Expression
    dimension: Dimension
    condition: Formula | None
    condition_text: str
    text: str

    def signals(self) -> tuple[str, ...]:
        """All signals it speaks of, those of the condition too."""
        beside = () if self.condition is None else signals_of(self.condition)
        return tuple(dict.fromkeys((*_names(self.expression), *beside)))


def _names(expression: Expression) -> tuple[str, ...]:
    match expression:
        case Signal():
            return (expression.name,)
        case Operate():
            return tuple(name for operand in expression.operands for name in _names(operand))
        case _:
            return ()


_GRAMMAR = r"""
start: AGGREGATE "(" sum ")" [CONDITION]
?sum: product (SIGN product)*
?product: unary (FACTOR unary)*
?unary: SIGN unary -> signed | atom
?atom: "(" sum ")" | QUANTITY -> quantity | NUMBER -> number | NAME -> signal
     | ONE "(" sum ")" -> one | TWO "(" sum "," sum ")" -> two
AGGREGATE.2: /[A-Za-z][A-Za-z0-9_.]*(?=\s*\()/
ONE.3: /abs(?=\s*\()/
TWO.3: /(hypot|larger|smaller)(?=\s*\()/
CONDITION.3: /(at|while)\b(.|\n)*/
SIGN: "+" | "-"
FACTOR: "*" | "/"
QUANTITY.2: /{unsigned}\s*(?!(?:{keywords})\b)[A-Za-z%][A-Za-z%\/]*/
NUMBER: /{unsigned}/
NAME: /[A-Za-z_][A-Za-z_0-9]*/
%ignore /\s+/
"""

_EXAMPLE = "Write, say, `max(climb_rate)` or `p95(abs(cross_track)) at leg 3`"
_DEEPEST = 40


@cache
def _parser() -> Lark:
    grammar = _GRAMMAR.replace("{unsigned}", UNSIGNED_PATTERN).replace("{keywords}", "|".join(KEYWORDS))
    return Lark(grammar, parser="lalr", lexer="contextual", propagate_positions=True, maybe_placeholders=True)


def parse_measure_formula(text: str) -> MeasureFormula:
    """The measure written in `text`. Raises FormulaProblem, which holds the offending character's offset."""
    if len(text) > LONGEST_TEXT:
        raise FormulaProblem(
            LONGEST_TEXT, f"the formula is longer than {LONGEST_TEXT} characters", "Split it"
        )
    try:
        tree = _parser().parse(text)
    except UnexpectedInput as unexpected:
        raise _not_understood(text, unexpected) from unexpected
    name, inner, condition = cast("list[Any]", tree.children)
    percentile = _percentile(name)
    _shallow(inner)
    expression, dimension = _build(inner)
    if dimension is None or not _names(expression):
        raise FormulaProblem(tree.meta.start_pos, f"`{text}` speaks of no signal", _EXAMPLE)
    where, says = (None, "") if condition is None else _condition(condition)
    return MeasureFormula(str(name), percentile, expression, dimension, where, says, text.strip())


def _percentile(token: Token) -> float | None:
    """The percentile of pNN; None for another aggregate. Raises FormulaProblem for what is neither."""
    match = re.fullmatch(r"p(\d{1,2}(?:\.\d{1,3})?)", token)
    if match is not None and float(match[1]) > 0:
        return float(match[1])
    if token in AGGREGATES:
        return None
    near = nearest(str(token), AGGREGATES)
    remedy = f"Did you mean `{near}`?" if near else f"Aggregates are {', '.join(AGGREGATES)} and p1 to p99"
    raise FormulaProblem(token.start_pos or 0, f"there is no aggregate `{token}`", remedy)


def _condition(token: Token) -> tuple[Formula, str]:
    """What stands behind `at` or `while`; both are read as rules are."""
    word = token.split(None, 1)[0]
    rest = token[len(word) :]
    skipped = len(word) + len(rest) - len(rest.lstrip())
    try:
        return parse_formula(rest.strip()), f"{word} {rest.strip()}"
    except FormulaProblem as problem:
        offset = (token.start_pos or 0) + skipped + problem.offset
        raise FormulaProblem(offset, problem.problem, problem.remedy) from problem


def _shallow(tree: Tree[Token] | Token) -> None:
    waiting = [(tree, 1)]
    while waiting:
        node, level = waiting.pop()
        if level > _DEEPEST:
            raise FormulaProblem(0, f"the formula is nested deeper than {_DEEPEST} levels", "Split it")
        if isinstance(node, Tree):
            waiting.extend((child, level + 1) for child in node.children)


_Typed = tuple[Expression, Dimension | None]
"""An expression and what it measures; None for a plain number."""


def _build(tree: Tree[Token]) -> _Typed:
    return _BUILDERS[str(tree.data)](tree)


def _parts(tree: Tree[Token]) -> list[Tree[Token]]:
    return [child for child in tree.children if isinstance(child, Tree)]


def _signal(tree: Tree[Token]) -> _Typed:
    signal = known_signal(cast("Token", tree.children[0]), is_flag=False)
    return Signal(signal.name), signal.dimension


def _number(tree: Tree[Token]) -> _Typed:
    return Number(float(cast("Token", tree.children[0]))), None


def _quantity(tree: Tree[Token]) -> _Typed:
    token = cast("Token", tree.children[0])
    symbol = (split_quantity(token) or ("", ""))[1]
    dimension = UNITS[symbol].dimension if symbol in UNITS else Dimension.LENGTH
    try:
        return Number(parse_quantity(token, dimension)), dimension
    except QuantityProblem as problem:
        raise FormulaProblem(token.start_pos or 0, problem.problem, problem.remedy) from problem


def _signed(tree: Tree[Token]) -> _Typed:
    expression, dimension = _build(_parts(tree)[0])
    if tree.children[0] == "+":
        return expression, dimension
    return Operate("*", (Number(-1.0), expression)), dimension


def _one(tree: Tree[Token]) -> _Typed:
    expression, dimension = _build(_parts(tree)[0])
    return Operate("abs", (expression,)), dimension


def _two(tree: Tree[Token]) -> _Typed:
    operation = {"hypot": "hypot", "larger": "max", "smaller": "min"}[str(tree.children[0])]
    left, right = _parts(tree)
    return _alike(cast("Operation", operation), _build(left), _build(right), right)


def _sum(tree: Tree[Token]) -> _Typed:
    return _chain(tree, _alike)


def _product(tree: Tree[Token]) -> _Typed:
    return _chain(tree, _scaled)


def _chain(tree: Tree[Token], join: Callable[[Operation, _Typed, _Typed, Tree[Token]], _Typed]) -> _Typed:
    """`a + b - c`, from the left."""
    result = _build(cast("Tree[Token]", tree.children[0]))
    for sign, part in zip(tree.children[1::2], tree.children[2::2], strict=True):
        right = cast("Tree[Token]", part)
        result = join(cast("Operation", str(sign)), result, _build(right), right)
    return result


def _alike(operation: Operation, left: _Typed, right: _Typed, place: Tree[Token]) -> _Typed:
    """Both sides must be of one kind."""
    if left[1] is not right[1]:
        kinds = [_kind(side) for side in (left, right)]
        problem = f"{kinds[0]} and {kinds[1]} cannot be put together with `{operation}`"
        raise FormulaProblem(place.meta.start_pos, problem, "Give both sides units of one kind")
    return Operate(operation, (left[0], right[0])), left[1]


def _scaled(operation: Operation, left: _Typed, right: _Typed, place: Tree[Token]) -> _Typed:
    """A plain number scales; a quantity over another of its kind is a share, which scales as a number does."""
    expression = Operate(operation, (left[0], right[0]))
    if right[1] is None or (right[1] is Dimension.SHARE and operation == "*"):
        return expression, left[1] if left[1] is not None else right[1]
    if operation == "*" and left[1] in {None, Dimension.SHARE}:
        return expression, right[1]
    if operation == "/" and left[1] is right[1]:
        return expression, Dimension.SHARE
    problem = f"{_kind(left)} cannot be combined with {_kind(right)} by `{operation}`"
    remedy = "Multiply by plain numbers, and divide by plain numbers or by a quantity of the same kind"
    raise FormulaProblem(place.meta.start_pos, problem, remedy)


def _kind(typed: _Typed) -> str:
    if typed[1] is None:
        return "a plain number"
    noun = typed[1].noun
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"


_BUILDERS: dict[str, Callable[[Tree[Token]], _Typed]] = {
    "signal": _signal,
    "number": _number,
    "quantity": _quantity,
    "signed": _signed,
    "one": _one,
    "two": _two,
    "sum": _sum,
    "product": _product,
}


def _not_understood(text: str, unexpected: UnexpectedInput) -> FormulaProblem:
    offset = cast("int", unexpected.pos_in_stream)
    found = text[offset : offset + 1]
    if not isinstance(unexpected, UnexpectedCharacters):
        token = cast("Token", getattr(unexpected, "token", ""))
        found = "" if getattr(token, "type", "") == "$END" else str(token)
        offset = len(text) if not found else (token.start_pos or 0)
    problem = f"`{found}` is not understood here" if found else "the formula stops too early"
    return FormulaProblem(min(offset, len(text)), problem, _EXAMPLE)

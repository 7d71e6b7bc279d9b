"""A rule as a tree: signal temporal logic over the signals of a track.

All numbers are SI, windows whole microseconds with both ends included, counted from the moment the operator is
looked at. Each node keeps the piece of text it was read from, so that a report can say which part broke.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from asflown.units import Dimension

Comparison = Literal["<", "<=", ">", ">="]


@dataclass(frozen=True, slots=True)
class Window:
    """From `begin_us` to `end_us` later, both included; an `end_us` of None reaches to the end of the track."""

    begin_us: int = 0
    end_us: int | None = None


WHOLE = Window()
"""The window of an operator that is written without one."""


@dataclass(frozen=True, slots=True)
class Term:
    """`factor` times a signal."""

    signal: str
    factor: float


@dataclass(frozen=True, slots=True)
class Predicate:
    """The sum of `terms` compared with `bound`; robustness 1 is one `scale` away from the bound.

    All terms and the bound are quantities of `dimension`; `scale` is positive.
    """

    terms: tuple[Term, ...]
    comparison: Comparison
    bound: float
    scale: float
    dimension: Dimension
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Flag:
    """A signal that is true or false."""

    signal: str
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Not:
    """Holds where the operand does not."""

    operand: Formula
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class And:
    """Holds where all operands do; there are at least two."""

    operands: tuple[Formula, ...]
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Or:
    """Holds where any operand does; there are at least two."""

    operands: tuple[Formula, ...]
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Implies:
    """Holds where the left side does not, or the right side does."""

    left: Formula
    right: Formula
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Always:
    """Holds where the operand holds throughout the window."""

    operand: Formula
    window: Window = WHOLE
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Eventually:
    """Holds where the operand holds at some moment of the window."""

    operand: Formula
    window: Window = WHOLE
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Until:
    """Holds where the right side holds at some moment of the window and the left side up to and at that moment."""

    left: Formula
    right: Formula
    window: Window = WHOLE
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Once:
    """Holds where the operand held at some moment of the window, which lies in the past: `begin_us` is nearer."""

    operand: Formula
    window: Window = WHOLE
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Historically:
    """Holds where the operand held throughout the window, which lies in the past."""

    operand: Formula
    window: Window = WHOLE
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Since:
    """Holds where the right side held at some moment of the window in the past, and the left side from then on."""

    left: Formula
    right: Formula
    window: Window = WHOLE
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Next:
    """Holds where the operand holds at the next sample; at the last sample there is none, and it does not hold."""

    operand: Formula
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Rise:
    """Holds at a sample where the operand holds and at the sample before did not; not at the first sample."""

    operand: Formula
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Fall:
    """Holds at a sample where the operand does not hold and at the sample before did; not at the first sample."""

    operand: Formula
    text: str = field(default="", compare=False)


Leaf: TypeAlias = Predicate | Flag
OneSided: TypeAlias = Not | Always | Eventually | Once | Historically | Next | Rise | Fall
TwoSided: TypeAlias = Implies | Until | Since
Formula: TypeAlias = Leaf | OneSided | TwoSided | And | Or


def operands_of(formula: Formula) -> tuple[Formula, ...]:
    """The formulas that `formula` is directly made of; none for a predicate or a flag."""
    match formula:
        case Predicate() | Flag():
            return ()
        case And() | Or():
            return formula.operands
        case Implies() | Until() | Since():
            return formula.left, formula.right
        case _:
            return (formula.operand,)


def signals_of(formula: Formula) -> tuple[str, ...]:
    """The names of all signals that `formula` speaks of, each once, in the order of their first mention."""
    match formula:
        case Predicate():
            names = [term.signal for term in formula.terms]
        case Flag():
            names = [formula.signal]
        case _:
            names = [name for operand in operands_of(formula) for name in signals_of(operand)]
    return tuple(dict.fromkeys(names))

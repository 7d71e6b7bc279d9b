"""Whether a formula's robustness at its first moment is exact between samples, too.

Between samples a comparison of signals that change in straight lines changes in a straight line. The smallest of
several such lies at a sample or at an end of the window, and so does the largest, but the smallest of a largest may
lie between. Everything that is not known to be exact is said to be sampled.
"""

from __future__ import annotations

from asflown.scenario.formula import Always, And, Eventually, Flag, Formula, Implies, Not, Or, Predicate


def is_momentary(formula: Formula) -> bool:
    """Whether the formula speaks of one moment alone."""
    match formula:
        case Predicate() | Flag():
            return True
        case Not():
            return is_momentary(formula.operand)
        case And() | Or():
            return all(is_momentary(part) for part in formula.operands)
        case Implies():
            return is_momentary(formula.left) and is_momentary(formula.right)
        case _:
            return False


def is_exact(formula: Formula) -> bool:  # noqa: PLR0911  one return for each sort of operator
    """Whether the robustness at the first moment is exact, and not only over the samples."""
    match formula:
        case Predicate() | Flag():
            return True
        case Not():
            return is_exact(formula.operand)
        case And() | Or():
            return all(is_exact(part) for part in formula.operands)
        case Implies():
            return is_exact(formula.left) and is_exact(formula.right)
        case Always():
            return _is_bent(formula.operand, downwards=True)
        case Eventually():
            return _is_bent(formula.operand, downwards=False)
        case _:
            return False


def _is_bent(formula: Formula, *, downwards: bool) -> bool:
    """Whether the robustness between samples is a smallest (`downwards`) or a largest of straight lines."""
    match formula:
        case Predicate() | Flag():
            return True
        case Not():
            return _is_bent(formula.operand, downwards=not downwards)
        case And() | Or():
            fits = isinstance(formula, And) == downwards
            return fits and all(_is_bent(part, downwards=downwards) for part in formula.operands)
        case Implies():
            left = _is_bent(formula.left, downwards=not downwards)
            return not downwards and left and _is_bent(formula.right, downwards=downwards)
        case _:
            return False

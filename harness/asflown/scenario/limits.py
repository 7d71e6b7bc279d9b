"""Limits of measures: their numbers take the unit of the measure they limit.

In the file a limit is a quantity; in the model it is an SI number, because only here is it known which unit
belongs to it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import cast

from asflown.errors import FileProblem, FormulaProblem, QuantityProblem
from asflown.scenario import yaml_tree
from asflown.scenario.measure_formula import parse_measure_formula
from asflown.scenario.measure_names import MEASURES, load_registered
from asflown.scenario.model import Limit
from asflown.scenario.places import Place, character, find, meant, show
from asflown.scenario.yaml_tree import Mapping, Plain, Scalar
from asflown.units import Dimension, read_quantity

_QUANTITIES = ("at_most", "at_least", "between", "scale")


def convert_limits(data: dict[str, Plain], root: Mapping) -> list[FileProblem]:
    """Replaces the quantities of all limits in `data`, the plain form of `root`, by SI numbers.

    What cannot be converted is reported and taken out, so that the validator does not report it again.
    """
    measures = find(root, ("expect", "measures")).node
    if not isinstance(measures, Mapping):
        return []
    plain = cast("dict[str, dict[str, dict[str, Plain]]]", data)["expect"]["measures"]
    problems: list[FileProblem] = []
    for name, node in measures.entries.items():
        try:
            dimension = _dimension(name, node, measures)
        except FileProblem as problem:
            problems.append(problem)
            del plain[name]
            continue
        if isinstance(node, Mapping):
            problems += _convert(node, cast("dict[str, Plain]", plain[name]), dimension)
    return problems


def _dimension(name: str, node: yaml_tree.Node, measures: Mapping) -> Dimension:
    """What kind of quantity a measure is. Raises FileProblem for one that is not known and has no formula."""
    formula = find(node, ("formula",)) if isinstance(node, Mapping) else None
    if name not in MEASURES:
        load_registered()
    known = MEASURES.get(name)
    if formula is None or formula.node is None:
        if known is not None:
            return known.dimension
        remedy = meant(name, tuple(MEASURES), "Give it a `formula`; measures are")
        raise FileProblem(measures.key_positions[name], f"there is no measure `{name}`", remedy)
    if known is not None:
        remedy = "Give yours another name, or leave `formula` out"
        raise FileProblem(formula.key_where, f"`{name}` is a measure already", remedy)
    if re.fullmatch(r"[a-z][a-z0-9_]{0,59}", name) is None:
        remedy = "Use small letters, digits and `_`, and begin with a letter"
        raise FileProblem(measures.key_positions[name], f"a measure cannot be called `{name}`", remedy)
    return _measured_by(formula)


def _measured_by(formula: Place) -> Dimension:
    text = formula.node.value if isinstance(formula.node, Scalar) else None
    if not isinstance(text, str):
        raise FileProblem(
            formula.where, f"`{formula.shown()}` is no formula", "Write, say, `max(climb_rate)`"
        )
    try:
        return parse_measure_formula(text).dimension
    except FormulaProblem as problem:
        raise FileProblem(character(formula, problem.offset), problem.problem, problem.remedy) from problem


def _convert(limit: Mapping, plain: dict[str, Plain], dimension: Dimension) -> Iterator[FileProblem]:
    for key in _QUANTITIES:
        node = limit.entries.get(key)
        try:
            if isinstance(node, Scalar):
                plain[key] = _number(key, node, dimension)
            elif isinstance(node, yaml_tree.Sequence) and key == "between":
                plain[key] = [_number(key, item, dimension) for item in node.items]
        except FileProblem as problem:
            yield problem
            del plain[key]


def _number(key: str, node: yaml_tree.Node, dimension: Dimension) -> float:
    value = node.value if isinstance(node, Scalar) else show(node)
    try:
        return float(read_quantity(value, dimension, from_file=True))
    except QuantityProblem as problem:
        raise FileProblem(node.where, f"`{key}: {show(node)}` {problem.fault}", problem.remedy) from problem


def problem_of_limit(limit: Limit) -> tuple[str, str] | None:
    """What is wrong with a limit as a whole, and what to do; None when it is sound."""
    given = [key for key in ("at_most", "at_least", "between") if getattr(limit, key) is not None]
    if len(given) != 1:
        found = f"has {' and '.join(given)}" if given else "has no bound"
        return f"this limit {found}", "Give exactly one of at_most, at_least and between"
    if limit.between is not None:
        if limit.between[0] >= limit.between[1]:
            return "the first end of `between` is not below the second", "Write [lowest, highest]"
        if limit.scale is not None:
            return "`between` is measured in half its width", "Leave `scale` out"
        return None
    if limit.scale is None and 0 in {limit.at_most, limit.at_least}:
        return (
            f"`{given[0]}` is 0, which gives no size to measure a margin by",
            "Add `scale: ...`, what counts as 1",
        )
    return None

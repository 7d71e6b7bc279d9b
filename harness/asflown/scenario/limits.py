"""Limits of measures: their numbers take the unit of the measure they limit.

In the file a limit is a quantity; in the model it is an SI number, because only here is it known which unit
belongs to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import cast

from asflown.errors import FileProblem, QuantityProblem
from asflown.scenario import yaml_tree
from asflown.scenario.measure_names import MEASURES
from asflown.scenario.model import Limit
from asflown.scenario.places import find, meant, show
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
        measure = MEASURES.get(name)
        if measure is None:
            remedy = meant(name, tuple(MEASURES), "Measures are")
            problems.append(
                FileProblem(measures.key_positions[name], f"there is no measure `{name}`", remedy)
            )
            del plain[name]
        elif isinstance(node, Mapping):
            problems += _convert(node, cast("dict[str, Plain]", plain[name]), measure.dimension)
    return problems


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

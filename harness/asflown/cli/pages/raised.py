"""Where the package makes its errors, and in which words: read from the source, parts known only later shown as `…`."""

from __future__ import annotations

import ast
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parents[2]
LATER = "…"
"""Stands for what is known only when the error arises: a name, a number, a path."""
_BEFORE_PROBLEM = {"FileProblem": 1, "LegProblem": 1, "FormulaProblem": 1}
"""How many arguments of a class stand in front of what is wrong."""


@dataclass(frozen=True, slots=True)
class Raised:
    """One error as the source words it."""

    kind: str
    problem: str
    remedy: str


def raised(kinds: Collection[str]) -> list[Raised]:
    """All errors of these classes that the package makes, each wording once, sorted."""
    found = {one for tree in _modules() for one in _in_module(tree, kinds)}
    return sorted(found, key=lambda one: (one.kind, one.problem.lower(), one.remedy))


@cache
def _modules() -> tuple[ast.Module, ...]:
    return tuple(ast.parse(file.read_text(encoding="utf-8")) for file in sorted(PACKAGE.rglob("*.py")))


def _in_module(tree: ast.Module, kinds: Collection[str]) -> Iterator[Raised]:
    for scope in ast.walk(tree):
        if not isinstance(scope, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        known = _assigned(scope)
        for call in ast.walk(scope):
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in kinds:
                yield from _worded(call, call.func.id, known)


def _assigned(scope: ast.FunctionDef | ast.AsyncFunctionDef) -> dict[str, ast.expr]:
    """Names that a function gives a value once, so that words put aside are found."""
    given: dict[str, list[ast.expr]] = {}
    for node in ast.walk(scope):
        if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
            given.setdefault(node.targets[0].id, []).append(node.value)
    return {name: values[0] for name, values in given.items() if len(values) == 1}


def _worded(call: ast.Call, kind: str, known: Mapping[str, ast.expr]) -> Iterator[Raised]:
    words = [_text(one, known) for one in call.args[_BEFORE_PROBLEM.get(kind, 0) :]]
    problem, remedy = [*words, "", ""][:2]
    if kind == "QuantityProblem":
        problem, remedy = f"`{problem}` {remedy}", [*words, "", "", ""][2]
    if problem.replace(LATER, "").strip(" .`:'") and not problem.startswith(f"{LATER} {LATER}"):
        yield Raised(kind, problem, remedy)


def _text(node: ast.expr, known: Mapping[str, ast.expr]) -> str:
    """The words of an expression, as far as the source tells them."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(
            LATER if isinstance(part, ast.FormattedValue) else _text(part, known) for part in node.values
        )
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _text(node.left, known) + _text(node.right, known)
    if isinstance(node, ast.Name) and node.id in known:
        others = {name: value for name, value in known.items() if name != node.id}
        return _text(known[node.id], others)
    if isinstance(node, ast.IfExp):
        return _text(node.body, known)
    return LATER

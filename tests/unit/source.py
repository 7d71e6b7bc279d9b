"""Reads the project's own source for the tests of its house rules; imports nothing of it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "harness" / "asflown"
TESTS = ROOT / "tests"
SHIM = PACKAGE / "clock" / "shim"

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Module:
    """One parsed file; `name` is its path from the top of the repository."""

    path: Path
    tree: ast.Module

    @property
    def name(self) -> str:
        """`harness/asflown/errors.py`."""
        return self.path.relative_to(ROOT).as_posix()

    def functions(self) -> Iterator[Function]:
        """All functions and methods, nested ones too."""
        return (node for node in ast.walk(self.tree) if isinstance(node, Function))

    def names(self) -> Iterator[tuple[int, str]]:
        """Line and full name of everything that is used by name, as imports make it: `time.sleep`."""
        imported = _imported(self.tree)
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Attribute | ast.Name):
                first, _, rest = dotted(node).partition(".")
                if first in imported:
                    yield node.lineno, f"{imported[first]}.{rest}".rstrip(".")

    def imports(self) -> Iterator[tuple[int, str]]:
        """Line and full name of every absolute import, `from a import b` as `a.b`."""
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Import):
                yield from ((node.lineno, alias.name) for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and not node.level:
                yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


@cache
def package_modules() -> tuple[Module, ...]:
    """Every module of the package."""
    return tuple(_read(path) for path in sorted(PACKAGE.rglob("*.py")))


@cache
def test_modules() -> tuple[Module, ...]:
    """Every module under tests."""
    return tuple(_read(path) for path in sorted(TESTS.rglob("*.py")))


test_modules.__test__ = False  # type: ignore[attr-defined]  # not a test, whatever its name says


def _read(path: Path) -> Module:
    return Module(path, ast.parse(path.read_text(encoding="utf-8"), str(path)))


def dotted(node: ast.expr) -> str:
    """`a.b.c` of a chain of names; empty for anything else."""
    if isinstance(node, ast.Attribute):
        base = dotted(node.value)
        return f"{base}.{node.attr}" if base else ""
    return node.id if isinstance(node, ast.Name) else ""


def _imported(tree: ast.Module) -> dict[str, str]:
    """Local name to what it stands for: `from time import sleep as nap` makes `nap` stand for `time.sleep`."""
    names: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                short = alias.name.partition(".")[0]
                names[alias.asname or short] = alias.name if alias.asname else short
        elif isinstance(node, ast.ImportFrom) and not node.level:
            for alias in node.names:
                names[alias.asname or alias.name] = f"{node.module}.{alias.name}"
    return names


def own_lines(function: Function) -> int:
    """Lines of a function from `def` to its end, docstring left out."""
    end = function.end_lineno or function.lineno
    first = function.body[0]
    docstring = 0
    if (
        isinstance(first, ast.Expr)
        and isinstance(first.value, ast.Constant)
        and isinstance(first.value.value, str)
    ):
        docstring = (first.end_lineno or first.lineno) - first.lineno + 1
    return end - function.lineno + 1 - docstring

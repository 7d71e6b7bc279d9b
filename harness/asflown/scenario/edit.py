"""Changes quantities in scenario files in place: everything else, comments and layout too, stays byte for byte.

Only values that stand on one line can be changed. A changed file is read again before it is handed back, and must
differ from the old one in just the values that were to be changed. (A writer that keeps comments, such as ruamel.yaml,
would still lay long lines out anew; nothing is written anew here.)
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from asflown.errors import Position, UsageError
from asflown.scenario import yaml_tree
from asflown.scenario.file import LoadedScenario
from asflown.scenario.places import Key
from asflown.scenario.yaml_tree import Node, Scalar
from asflown.units import UNITS, Unit, split_quantity, to_si

SIGNIFICANT = 2
"""Digits that a rounded quantity keeps where its unit's usual places would leave fewer."""


@dataclass(frozen=True, slots=True)
class Change:
    """The quantity at `keys` is to become `value` (SI), rounded up or down in the unit that it is written in."""

    keys: tuple[Key, ...]
    value: float
    towards: Literal["up", "down"]


@dataclass(frozen=True, slots=True)
class Edited:
    """One file before and after; `texts` are the quantities as they are written now, by their keys."""

    file: Path
    before: str
    after: str
    texts: Mapping[tuple[Key, ...], str]


def edited(loaded: LoadedScenario, changes: Sequence[Change]) -> tuple[Edited, ...]:
    """The files of `loaded` that the changes touch, with the changes made; nothing is written.

    Raises UsageError for a value that cannot be changed where it stands.
    """
    by_file: dict[Path, list[_Replacement]] = {}
    for change in changes:
        replacement = _replacement(loaded, change)
        by_file.setdefault(replacement.at.file, []).append(replacement)
    return tuple(_applied(file, replacements) for file, replacements in by_file.items())


@dataclass(frozen=True, slots=True)
class _Replacement:
    keys: tuple[Key, ...]
    at: Position
    old: str
    new: str


def _replacement(loaded: LoadedScenario, change: Change) -> _Replacement:
    node = loaded.node(*change.keys)
    quantity = split_quantity(node.raw) if isinstance(node, Scalar) else None
    if not isinstance(node, Scalar) or node.text_starts is None or quantity is None:
        where = loaded.position(*change.keys)
        raise UsageError(f"{where}: this value cannot be changed where it stands", "Write it on one line")
    new = _written(change, UNITS[quantity[1]])
    return _Replacement(change.keys, node.text_starts, node.raw, new)


def _written(change: Change, unit: Unit) -> str:
    """The quantity as text, rounded so that it allows no less than the value does."""
    number = change.value / to_si("1", unit)
    size = SIGNIFICANT - 1 - math.floor(math.log10(abs(number))) if number else 0
    places = max(unit.decimals, min(size, 9))
    step = 10.0**places
    rounded = (math.ceil if change.towards == "up" else math.floor)(round(number * step, 6)) / step
    text = f"{rounded:z.{places}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit.symbol}"


def _applied(file: Path, replacements: Sequence[_Replacement]) -> Edited:
    before = file.read_bytes().decode("utf-8")
    lines = before.split("\n")
    for one in sorted(replacements, key=lambda one: (one.at.line, one.at.column), reverse=True):
        row, column = one.at.line - 1, one.at.column - 1
        line = lines[row]
        if line[column : column + len(one.old)] != one.old:
            raise UsageError(f"{one.at}: the file has changed since it was read", "Try again")
        lines[row] = line[:column] + one.new + line[column + len(one.old) :]
    after = "\n".join(lines)
    _check(file, before, after, len({(one.at.line, one.at.column) for one in replacements}))
    return Edited(file, before, after, {one.keys: one.new for one in replacements})


def _check(file: Path, before: str, after: str, changed: int) -> None:
    """A value that others refer to (an alias in YAML) would change with it: no edit does that."""
    old, new = (_scalars(file, text) for text in (before, after))
    differing = sum(a != b for a, b in zip(old, new, strict=True))
    if differing > changed:
        raise UsageError(
            f"a limit in {file} is used in several places of the file", "Write it out where it is meant"
        )


def _scalars(file: Path, text: str) -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / file.name
        copy.write_bytes(text.encode("utf-8"))
        waiting: list[Node] = [yaml_tree.read_tree(copy)]
    found = []
    while waiting:
        match waiting.pop():
            case Scalar() as scalar:
                found.append(scalar.raw)
            case yaml_tree.Sequence() as several:
                waiting.extend(several.items)
            case yaml_tree.Mapping() as mapping:
                waiting.extend(mapping.entries.values())
    return found

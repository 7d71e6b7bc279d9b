"""Finds places in a tree: where a value or a key stands, and how it is shown in a message.

A path of keys is what a validator reports: text for keys, numbers for list entries (from 0). Words with a tilde
name one of several ways to write a value (`~metres`, `~geodetic`), and belong to no key.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from asflown.errors import Position
from asflown.scenario import yaml_tree
from asflown.scenario.yaml_tree import Mapping, Node, Scalar

Key = str | int
NAME_OF_KEY = "[key]"
"""What the validator appends to the path of a key whose own name is wrong."""

_LONGEST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Place:
    """Where a path of keys leads. `node` is None where the file has nothing there; then `where` is the nearest."""

    node: Node | None
    where: Position
    """The value's position."""
    key_where: Position
    """The position of its key; of the value itself for an entry of a list."""
    name: str
    """The last key, or the key of the list that the entry stands in."""
    inside: Node
    """The nearest mapping or list around it."""

    def shown(self) -> str:
        """As it stands in the file, shortened: `height: 8`."""
        value = show(self.node)
        return f"{self.name}: {value}" if self.name else value


def find(root: Node, keys: Sequence[Key]) -> Place:
    """The place that `keys` lead to from `root`, as far as the file has it."""
    place = Place(root, root.where, root.where, "", root)
    for key in keys:
        if place.node is None:
            break
        place = _step(place, place.node, key)
    return place


def _step(place: Place, node: Node, key: Key) -> Place:
    match node:
        case Mapping() if key in node.entries:
            entry = node.entries[str(key)]
            return Place(entry, entry.where, node.key_positions[str(key)], str(key), node)
        case yaml_tree.Sequence() if isinstance(key, int) and key < len(node.items):
            item = node.items[key]
            return Place(item, item.where, item.where, place.name, node)
        case _ if key == NAME_OF_KEY or str(key).startswith("~"):
            return place
        case _:
            name = str(key) if isinstance(key, str) else place.name
            return Place(None, node.where, place.key_where, name, node)


def character(place: Place, offset: int) -> Position:
    """The place of a character of a text, as near as it is known."""
    starts = place.node.text_starts if isinstance(place.node, Scalar) else None
    return place.where if starts is None else replace(starts, column=starts.column + offset)


def show(node: Node | None) -> str:
    """A value as it is written, on one line and shortened."""
    match node:
        case None:
            text = ""
        case Scalar():
            text = node.raw
        case yaml_tree.Sequence():
            text = f"[{', '.join(show(item) for item in node.items)}]"
        case Mapping():
            text = f"{{{', '.join(f'{key}: {show(entry)}' for key, entry in node.entries.items())}}}"
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 3]}..."


def nearest(name: str, known: Collection[str]) -> str | None:
    """The known name that `name` was probably meant to be."""
    near = difflib.get_close_matches(name.lower(), sorted(known), n=1)
    return near[0] if near else None


def meant(name: str, known: Collection[str], otherwise: str) -> str:
    """A remedy for a wrong name: the nearest known one, or all of them after the words `otherwise`."""
    near = nearest(name, known)
    return f"Did you mean `{near}`?" if near else f"{otherwise} {', '.join(known)}"

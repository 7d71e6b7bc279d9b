"""Values that are given beside a file: put into its tree where the file would have them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from asflown.errors import FileProblem, Position
from asflown.scenario.yaml_tree import DEEPEST, Mapping, Node, Scalar, Sequence, scalar_value

GIVEN = Position(Path("(given)"), 1, 1)
"""Where such a value stands."""

_LONGEST_NUMBER, _LONGEST_SHOWN = 9, 200


def put(root: Mapping, path: tuple[str, ...], text: str) -> Mapping:
    """`root` with `text` at `path`; what is not there is made: mappings, and the entry behind the last one of a list.

    Raises FileProblem for a path of no sense.
    """
    if not all(path) or len(path) > DEEPEST:
        shown = ".".join(path)[:_LONGEST_SHOWN]
        raise FileProblem(GIVEN, f"`{shown}` is no path of keys", "Write it like `conditions.wind.speed`")
    changed = _changed(root, path, text, path)
    assert isinstance(changed, Mapping)
    return changed


def _is_number(key: str) -> bool:
    return key.isascii() and key.isdecimal() and len(key) <= _LONGEST_NUMBER


def _changed(node: Node | None, rest: tuple[str, ...], text: str, path: tuple[str, ...]) -> Node:
    if not rest:
        return Scalar(GIVEN, scalar_value(text), text, None)
    key, below = rest[0], rest[1:]
    if node is None and key == "0":
        node = Sequence(GIVEN, ())
    if isinstance(node, Sequence):
        if not _is_number(key) or int(key) > len(node.items):
            says = f"`{'.'.join(path)}`: there is no entry {key} in a list of {len(node.items)}"
            raise FileProblem(GIVEN, says, "Entries count from 0; the one behind the last is added")
        items: list[Node | None] = [*node.items, None]
        items[int(key)] = _changed(items[int(key)], below, text, path)
        return replace(node, items=tuple(item for item in items if item is not None))
    known = node if isinstance(node, Mapping) else Mapping(GIVEN, {}, {})
    entries = known.entries | {key: _changed(known.entries.get(key), below, text, path)}
    positions = {key: GIVEN} | known.key_positions
    return replace(known, entries=entries, key_positions=positions)

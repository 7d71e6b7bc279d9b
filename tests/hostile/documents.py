"""Documents gone wrong: a sound one is taken apart, changed in a few places, and written in some way or other.

Everything is drawn from a generator that is passed in, so that a seed repeats a document, and hypothesis can make a
document smaller that found something.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from random import Random
from typing import Any, TypeAlias

import yaml

from tests.hostile.words import word

Tree: TypeAlias = Any
Slot: TypeAlias = tuple[Any, Any]
"""A container and the key or index of something in it."""

DEEP, MOST_COPIED, MOST_PLACES = 3000, 50_000, 500


def wrecked(
    chance: Random, seeds: tuple[Tree, ...], writes: tuple[Callable[[Random, Tree], bytes], ...]
) -> bytes:
    """One of the sound documents with one to four changes, written in one of the ways, and then perhaps damaged."""
    tree = {"": copy.deepcopy(chance.choice(seeds))}
    for _ in range(chance.randint(0, 4)):
        _change(chance, tree, seeds)
    data = chance.choice(writes)(chance, tree[""])
    for _ in range(chance.choice((0, 0, 0, 1, 1, 3))):
        data = damaged(chance, data)
    return data


def slots(tree: Tree) -> list[Slot]:
    """Every place in a tree, its root apart."""
    found: list[Slot] = []
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        keys = list(node) if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
        for key in keys:
            found.append((node, key))
            waiting.append(node[key])
    return found


def _change(chance: Random, tree: Tree, seeds: tuple[Tree, ...]) -> None:
    places = slots(tree)
    node, key = chance.choice(places)
    chance.choice(_CHANGES)(chance, node, key, places, seeds)


def _replaced(chance: Random, node: Any, key: Any, _: list[Slot], __: tuple[Tree, ...]) -> None:
    node[key] = value(chance)


def _swapped(chance: Random, node: Any, key: Any, places: list[Slot], _: tuple[Tree, ...]) -> None:
    other, other_key = chance.choice(places)
    node[key] = copy.deepcopy(other[other_key])


def _grafted(chance: Random, node: Any, key: Any, _: list[Slot], seeds: tuple[Tree, ...]) -> None:
    other, other_key = chance.choice(slots([chance.choice(seeds)]))
    node[key] = copy.deepcopy(other[other_key])


def _removed(_: Random, node: Any, key: Any, __: list[Slot], ___: tuple[Tree, ...]) -> None:
    if key != "":
        del node[key]


def _renamed(chance: Random, node: Any, key: Any, _: list[Slot], __: tuple[Tree, ...]) -> None:
    if isinstance(node, dict) and key != "":
        held = node.pop(key)
        name = chance.choice((word(chance), key + "x", key[:-1], key.upper(), key.replace("e", "\u0435")))
        node[name] = held


def _added(chance: Random, node: Any, key: Any, _: list[Slot], __: tuple[Tree, ...]) -> None:
    held = node[key]
    if isinstance(held, dict):
        held[word(chance)] = value(chance)
    elif isinstance(held, list):
        held.insert(chance.randrange(len(held) + 1), value(chance))


def _wrapped(chance: Random, node: Any, key: Any, _: list[Slot], __: tuple[Tree, ...]) -> None:
    for _level in range(chance.choice((1, 1, 2, 39, 45))):
        node[key] = [node[key]] if chance.random() < 0.5 else {"a": node[key]}


def _multiplied(chance: Random, node: Any, key: Any, places: list[Slot], __: tuple[Tree, ...]) -> None:
    if len(places) > MOST_PLACES:  # multiplied before: it would become too large for us
        return
    most = MOST_COPIED // (len(slots([node[key]])) + len(str(node[key])))
    node[key] = [node[key]] * min(most, chance.choice((0, 2, 31, 101, 1001)))


def _edited(chance: Random, node: Any, key: Any, _: list[Slot], __: tuple[Tree, ...]) -> None:
    held = node[key]
    if isinstance(held, str) and held:
        at = chance.randrange(len(held))
        put = chance.choice(
            ("", held[at] * 2, "9", "-", ".", " ", "\u00a0", "(", ")", "[", "e", "\u2212", word(chance))
        )
        node[key] = held[:at] + put + held[at + 1 :]
    elif isinstance(held, int | float):
        node[key] = chance.choice((-held, held * 10**20, held * 1e-20, held + 1, held * 1e300, not held))


_CHANGES = (
    _replaced, _replaced, _replaced, _swapped, _grafted, _removed, _renamed, _added, _wrapped, _multiplied, _edited, _edited,
)  # fmt: skip


def value(chance: Random) -> Any:
    """Something to put where something else was expected."""
    return chance.choice((
        word(chance), word(chance), word(chance), None, True, False, 0, -1, 2**31, 2**63, 2**64, 10**40, 1e308, -0.0,
        5e-324, float("inf"), float("nan"), [], {}, [[]], {"": {}}, [word(chance)], {word(chance): word(chance)},
    ))  # fmt: skip


def damaged(chance: Random, data: bytes) -> bytes:
    """Bytes changed, lost, doubled or put in somewhere."""
    at = chance.randrange(len(data) + 1)
    to = min(len(data), at + chance.choice((1, 2, 8, 64)))
    return chance.choice((
        data[:at],
        data[:at] + bytes((chance.randrange(256),)) + data[at + 1 :],
        data[:at] + data[to:],
        data[:at] + data[at:to] * 2 + data[to:],
        data[:at] + chance.choice(_PIECES) + data[at:],
    ))  # fmt: skip


_PIECES = (
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\t", b"\r", b"\n", b"\n---\n", b"\n...\n", b"&a ", b"*a", b" *a", b"!!python/none ",
    b"!!binary ", b"!<x> ", b"<<: ", b"? ", b": ", b"- ", b"|\n", b">9\n", b"{", b"[", b"]", b"}", b"'", b'"', b"#", b"%TAG ! x:\n",
    b"%YAML 9.9\n", b"\\ud800", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\xc0\x80", b"@", b"`", b"[" * DEEP, b"{a: " * DEEP, b"- " * DEEP,
    b"9" * 6000, b"x" * 70_000, b"\xe2\x80\xae",
)  # fmt: skip


def as_yaml(chance: Random, tree: Tree) -> bytes:
    """Block or flow style, as people write; a value that is there twice may become an alias."""
    flow = chance.choice((None, False, True))
    dumper = chance.choice((_WithAliases, _WithoutAliases, _WithoutAliases))
    unicode = chance.random() < 0.5
    try:
        return _dumped(tree, dumper, flow, unicode)
    except UnicodeEncodeError:  # the writer that is fast takes no lone surrogate
        return _dumped(tree, _SLOW[dumper], flow, unicode)


def _dumped(tree: Tree, dumper: Any, flow: bool | None, unicode: bool) -> bytes:
    text: str = yaml.dump(
        tree, Dumper=dumper, default_flow_style=flow, sort_keys=False, allow_unicode=unicode, width=10_000
    )
    return text.encode("utf-8", "surrogatepass")


def as_json(_: Random, tree: Tree) -> bytes:
    """JSON, which YAML takes, too; with what is no JSON, as other writers have it (NaN)."""
    return json.dumps(tree).encode("utf-8")


class _WithAliases(yaml.CSafeDumper):
    pass


class _WithoutAliases(yaml.CSafeDumper):
    def ignore_aliases(self, _: Any) -> bool:
        return True


class _SlowWithAliases(yaml.SafeDumper):
    pass


class _SlowWithoutAliases(yaml.SafeDumper):
    def ignore_aliases(self, _: Any) -> bool:
        return True


_SLOW = {_WithAliases: _SlowWithAliases, _WithoutAliases: _SlowWithoutAliases}


BOMBS = {
    "billion laughs": b"a: &a [x,x,x,x,x,x,x,x,x]\n"
    + b"".join(b"%c: &%c [%s]\n" % (c, c, b",".join([b"*%c" % (c - 1)] * 9)) for c in range(ord("b"), ord("k"))),
    "an alias of itself": b"a: &a [*a]\n",
    "nested lists": b"a: " + b"[" * 20_000,
    "nested mappings": b"{a: " * 20_000,
    "nested dashes": b"- " * 20_000,
    "nested quotes": b'"' * 100_000,
    "a long key": b"k" * 900_000 + b": 1\n",
    "a long scalar": b"asflown: " + b"1" * 900_000 + b"\n",
    "many keys": b"".join(b"k%d: 1\n" % number for number in range(30_000)),
    "many anchors": b"".join(b"k%d: &a%d 1\n" % (number, number) for number in range(20_000)),
    "one key twice": b"a: 1\na: 2\n",
    "many documents": b"--- a\n" * 20_000,
    "many comments": b"# x\n" * 50_000,
    "no end of spaces": b" " * 900_000,
    "a file too large": b"#" * 1_000_001,
    "UTF-16": "asflown: 1\n".encode("utf-16"),
    "zeros": bytes(100_000),
    "a merge": b"a: &a {x: 1}\nb: {<<: *a}\n",
    "a tag that makes objects": b"a: !!python/object/apply:os.system [id]\n",
    "deep flow in one line": b"{a: [" * 10_000,
    "question marks": b"? " * 20_000,
    "open quote": b'a: "' + b"x\\\n" * 20_000,
}  # fmt: skip
"""Small files that would like to be large."""

"""Reads YAML into a tree in which everything knows its place in the file.

Plain data only: no tags, no merge keys, one document, text keys, each key once. Size, depth and the number of
nodes (aliases counted as often as they are used) are limited. Plain scalars follow the core schema of YAML 1.2,
so `on`, `no` and `12:30` are text.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn, TypeAlias

import yaml
from yaml import events

from asflown import files
from asflown.errors import FileProblem, Position, UsageError

LARGEST_BYTES = 1_000_000
DEEPEST = 40
MOST_NODES = 20_000

Value: TypeAlias = str | int | float | bool | None

_INTEGER = re.compile(r"[-+]?[0-9]{1,18}")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]{1,18}|[0-9]{1,18}(?:\.[0-9]{0,18})?)(?:[eE][-+]?[0-9]{1,3})?")
_WORDS: dict[str, Value] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((".inf", "+.inf"), float("inf")),
    "-.inf": float("-inf"),
    ".nan": float("nan"),
}


@dataclass(frozen=True, slots=True)
class Scalar:
    """A single value; `raw` is the text it was written as, without quotes."""

    where: Position
    value: Value
    raw: str
    text_starts: Position | None
    """Where the first character of `raw` stands, if all of it stands there letter by letter on one line."""


@dataclass(frozen=True, slots=True)
class Sequence:
    """A list."""

    where: Position
    items: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Mapping:
    """Keys and what they stand for; `key_positions` has the place of each key."""

    where: Position
    entries: dict[str, Node]
    key_positions: dict[str, Position]


Node: TypeAlias = Scalar | Sequence | Mapping
Plain: TypeAlias = "Value | list[Plain] | dict[str, Plain]"


def plain(node: Node) -> Plain:
    """The tree as lists and dictionaries."""
    match node:
        case Scalar():
            return node.value
        case Sequence():
            return [plain(item) for item in node.items]
        case Mapping():
            return {key: plain(entry) for key, entry in node.entries.items()}


def read_tree(file: Path) -> Mapping:
    """The mapping that `file` holds. Raises UsageError when it cannot be read, FileProblem when it is not one."""
    text = _read_text(file)
    try:
        root = _Composer(file, text).document()
    except yaml.MarkedYAMLError as error:
        raise _not_yaml(file, error) from error
    except yaml.reader.ReaderError as error:
        where = _position_at(file, text, error.position)
        raise FileProblem(where, _forbidden(error.character), "Remove it") from error
    if not isinstance(root, Mapping):
        raise FileProblem(
            root.where, "the file holds no mapping", "Write `key: value` lines, from `asflown: 1` on"
        )
    return root


def _read_text(file: Path) -> str:
    try:
        data = files.read_plain(file, LARGEST_BYTES)
    except OSError as error:
        if error.errno == errno.EFBIG:
            too_large = f"the file is larger than {LARGEST_BYTES // 1000} kB"
            raise FileProblem(Position(file, 1, 1), too_large, "Split it with `extends`") from error
        raise UsageError(
            f"{file} cannot be read: {error.strerror}", "Check its name and permissions"
        ) from error
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        where = _position_at(file, data[: error.start].decode("utf-8-sig"), None)
        raise FileProblem(
            where, f"the byte 0x{data[error.start]:02x} is not UTF-8", "Save it as UTF-8"
        ) from error


def _forbidden(character: str | int) -> str:
    code = ord(character) if isinstance(character, str) else character
    return f"the character U+{code:04X} may not stand in a file"


def _position_at(file: Path, text: str, index: int | None) -> Position:
    before = text[:index]
    return Position(file, before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)


def _not_yaml(file: Path, error: yaml.MarkedYAMLError) -> FileProblem:
    mark = error.problem_mark or error.context_mark
    where = Position(file, mark.line + 1, mark.column + 1) if mark else Position(file, 1, 1)
    said = f"{error.context}, {error.problem}" if error.context else str(error.problem)
    if error.context_mark and mark and error.context_mark.line < mark.line:
        said += f" (begun on line {error.context_mark.line + 1})"
    remedy = "Look for wrong indentation (spaces only), an open bracket or quote, or `: ` in unquoted text"
    return FileProblem(where, f"the file is not YAML: {said}", remedy)


@dataclass(frozen=True, slots=True)
class _Composed:
    """A node, how many nodes it counts for, and how many levels it has."""

    node: Node
    size: int
    height: int


class _Composer:
    """Builds the tree from the parser's events, and stops at the first thing that is not allowed."""

    def __init__(self, file: Path, text: str) -> None:
        self._file = file
        self._events: Iterator[events.Event] = yaml.parse(text, Loader=yaml.SafeLoader)
        self._anchors: dict[str, _Composed] = {}
        self._nodes = 0

    def document(self) -> Node:
        next(self._events)
        first = next(self._events)
        if isinstance(first, events.StreamEndEvent):
            self._refuse(first, "the file is empty", "Write at least `asflown: 1`")
        root = self._compose(next(self._events), 1).node
        next(self._events)
        after = next(self._events)
        if not isinstance(after, events.StreamEndEvent):
            self._refuse(after, "a second document begins here", "Give each scenario a file of its own")
        return root

    def _compose(self, event: events.Event, depth: int) -> _Composed:
        if isinstance(event, events.AliasEvent):
            return self._alias(event, depth)
        self._count(event, 1)
        self._check_depth(event, depth)
        tag = getattr(event, "tag", None)
        if tag is not None:
            self._refuse(event, f"the tag `{tag}` is not allowed", "Remove it; plain values need none")
        composed = self._node(event, depth)
        anchor = getattr(event, "anchor", None)
        if anchor is not None:
            self._anchors[anchor] = composed
        return composed

    def _node(self, event: events.Event, depth: int) -> _Composed:
        where = self._position(event)
        match event:
            case events.ScalarEvent():
                self._check_text(event)
                value = event.value if event.style else scalar_value(event.value)
                return _Composed(Scalar(where, value, event.value, _text_starts(event, where)), 1, 1)
            case events.SequenceStartEvent():
                items = list(self._items(depth))
                node: Node = Sequence(where, tuple(item.node for item in items))
                return _Composed(
                    node, 1 + sum(i.size for i in items), 1 + max((i.height for i in items), default=0)
                )
            case _:
                return self._mapping(where, depth)

    def _items(self, depth: int) -> Iterator[_Composed]:
        while not isinstance(event := next(self._events), events.SequenceEndEvent):
            yield self._compose(event, depth + 1)

    def _mapping(self, where: Position, depth: int) -> _Composed:
        entries: dict[str, Node] = {}
        positions: dict[str, Position] = {}
        size, height = 1, 0
        while not isinstance(event := next(self._events), events.MappingEndEvent):
            key = self._key(event, positions)
            positions[key] = self._position(event)
            entry = self._compose(next(self._events), depth + 1)
            entries[key] = entry.node
            size, height = size + 1 + entry.size, max(height, entry.height)
        return _Composed(Mapping(where, entries, positions), size, height + 1)

    def _key(self, event: events.Event, seen: dict[str, Position]) -> str:
        if not isinstance(event, events.ScalarEvent) or event.tag is not None:
            self._refuse(event, "a key must be plain text", "Write `key: value`")
        self._count(event, 1)
        self._check_text(event)
        key = str(event.value)
        if key == "<<":
            self._refuse(event, "merge keys (`<<`) are not used here", "Repeat the keys, or use `extends`")
        if key in seen:
            self._refuse(
                event, f"`{key}` stands here a second time", f"It is on line {seen[key].line} already"
            )
        return key

    def _check_text(self, event: events.ScalarEvent) -> None:
        """Escapes in quotes can write what neither UTF-8 nor the command line of a program can hold."""
        for character in event.value:
            if character == "\0" or "\ud800" <= character <= "\udfff":
                self._refuse(event, _forbidden(character), "Remove it")

    def _alias(self, event: events.AliasEvent, depth: int) -> _Composed:
        anchored = self._anchors.get(str(event.anchor))
        if anchored is None:
            self._refuse(
                event, f"`*{event.anchor}` refers to nothing", f"Write `&{event.anchor}` before it, outside"
            )
        self._count(event, anchored.size)
        self._check_depth(event, depth + anchored.height - 1)
        return anchored

    def _count(self, event: events.Event, nodes: int) -> None:
        self._nodes += nodes
        if self._nodes > MOST_NODES:
            self._refuse(
                event, f"the file holds more than {MOST_NODES} values, aliases counted", "Make it smaller"
            )

    def _check_depth(self, event: events.Event, depth: int) -> None:
        if depth > DEEPEST:
            self._refuse(event, f"the file is nested deeper than {DEEPEST} levels", "Flatten it")

    def _position(self, event: events.Event) -> Position:
        mark = event.start_mark
        return Position(self._file, mark.line + 1, mark.column + 1) if mark else Position(self._file, 1, 1)

    def _refuse(self, event: events.Event, problem: str, remedy: str) -> NoReturn:
        raise FileProblem(self._position(event), problem, remedy)


def _text_starts(event: events.ScalarEvent, where: Position) -> Position | None:
    start, end, quote = event.start_mark, event.end_mark, len(event.style or "")
    if start is None or end is None or start.line != end.line:
        return None
    as_it_is = end.column - start.column == len(event.value) + 2 * quote
    return replace(where, column=where.column + quote) if as_it_is else None


def scalar_value(text: str) -> Value:
    """What a plain scalar means by the core schema: a number, a truth value, nothing, or text."""
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.fullmatch(text):
        return int(text)
    if _FLOAT.fullmatch(text):
        return float(text)
    return text

"""How a script takes its link, guessed by reading it: its source is parsed and never run.

The guess says why it was made, so that a person can correct it; where nothing is found, it says that.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from asflown.errors import FileProblem, Position

LINK_NAMES = (
    "link",
    "connect",
    "connection",
    "connection-string",
    "master",
    "url",
    "uri",
    "address",
    "endpoint",
)
PORT_NAMES, HOST_NAMES = ("port", "udp-port", "tcp-port"), ("host", "ip", "hostname")
DEVICE_NAMES = ("device", "serial", "tty")
_DECLARING = frozenset({"add_argument", "add_option", "option", "argument", "Option", "Argument"})
_FIXED = re.compile(r"(udpin|udp|udpout|tcpin|tcp):([\w.-]*):(\d{1,5})(,.*)?")
_WITH_SCHEME = re.compile(r"([a-z][a-z0-9+.-]*)://([\w.-]*):(\d{1,5})/?")
_DEVICE = re.compile(r"/dev/\w+")
_ADDRESS = re.compile(r"(udp|tcp)\w*:")


@dataclass(frozen=True, slots=True)
class LinkGuess:
    """What `script:` says of the link."""

    words: tuple[str, ...]
    """Arguments behind the script's name, with placeholders; empty for a port of its own."""
    because: str
    """One sentence: what the guess was made of."""
    style: Literal["pymavlink", "url", "host-port"] = "pymavlink"
    side: Literal["listens", "dials"] = "listens"
    transport: Literal["udp", "tcp", "serial"] = "udp"
    listens: str = ""
    dials: str = ""
    also_needed: tuple[str, ...] = field(default=())
    """Arguments that the script demands and nothing is known of."""
    sure: bool = True
    """Whether something in the script speaks for it."""


NOTHING = LinkGuess(
    ("--link", "{link}"),
    "nothing in the script says how it takes its link: this is a guess to be corrected",
    sure=False,
)


@dataclass(frozen=True, slots=True)
class _Argument:
    """A declared argument of the script."""

    flag: str
    """As it is given: `--link`, or '' for one by its place."""
    name: str
    default: str
    needed: bool

    def with_value(self, value: str) -> tuple[str, ...]:
        return (self.flag, value) if self.flag else (value,)


def guess_link(script: Path) -> LinkGuess:
    """The guess for a script in any language; only Python is read. Raises OSError when it cannot be opened."""
    try:
        tree = ast.parse(script.read_bytes())
    except (SyntaxError, ValueError):
        return NOTHING
    arguments = tuple(_arguments(tree))
    texts = tuple(_texts(tree))
    return _from_arguments(arguments, texts) or _from_places(tree, texts) or _from_constants(texts) or NOTHING


def python_problem(script: Path) -> FileProblem | None:
    """What keeps the Python here from reading a script that ends in `.py`; None where it reads, or has another name.

    Raises OSError when it cannot be opened.
    """
    if script.suffix != ".py":
        return None
    try:
        ast.parse(script.read_bytes())
    except (SyntaxError, ValueError) as error:
        line, column = getattr(error, "lineno", None) or 1, getattr(error, "offset", None) or 1
        words = f"this is no Python that could run: {getattr(error, 'msg', error)}"
        return FileProblem(Position(script, line, column), words, "Correct it: as it is, no flight begins")
    return None


def _arguments(tree: ast.Module) -> Iterator[_Argument]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or _called(node) not in _DECLARING:
            continue
        names = [
            arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)
        ]
        if not names:
            continue
        flag = next((name for name in names if name.startswith("--")), names[0])
        known = {word.arg: word.value for word in node.keywords}
        by_place = not flag.startswith("-")
        required = (
            isinstance(known.get("required"), ast.Constant) and ast.literal_eval(known["required"]) is True
        )
        optional = "nargs" in known or "default" in known
        yield _Argument(
            "" if by_place else flag,
            flag.lstrip("-").replace("_", "-").lower(),
            _text_of(known.get("default")),
            required or (by_place and not optional),
        )


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def _text_of(node: ast.expr | None) -> str:
    return str(node.value) if isinstance(node, ast.Constant) and node.value is not None else ""


def _texts(tree: ast.Module) -> Iterator[str]:
    """All string constants, the parts of f-strings among them; docstrings are sentences and match nothing."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def _named(arguments: tuple[_Argument, ...], names: tuple[str, ...]) -> _Argument | None:
    return next((one for name in names for one in arguments if one.name == name), None)


def _from_arguments(arguments: tuple[_Argument, ...], texts: tuple[str, ...]) -> LinkGuess | None:
    link, port = _named(arguments, LINK_NAMES), _named(arguments, PORT_NAMES)
    host, device = _named(arguments, HOST_NAMES), _named(arguments, DEVICE_NAMES)
    if link is not None:
        return _whole_link(link, arguments)
    if port is not None and not _DEVICE.match(port.default):
        words = (*(host.with_value("{host}") if host else ()), *port.with_value("{port}"))
        taken = (port.name, host.name) if host else (port.name,)
        side, transport = _side_of(texts)
        because = f"the script takes {' and '.join(_shown(one) for one in (host, port) if one)}"
        return LinkGuess(
            words, because, side=side, transport=transport, also_needed=_needed(arguments, taken)
        )
    device = device or port
    if device is not None and _ADDRESS.match(device.default):
        return _whole_link(device, arguments)
    if device is not None:
        because = f"the script takes a serial device as {_shown(device)}"
        return LinkGuess(
            device.with_value("{link}"),
            because,
            transport="serial",
            also_needed=_needed(arguments, (device.name,)),
        )
    return None


def _whole_link(link: _Argument, arguments: tuple[_Argument, ...]) -> LinkGuess:
    needed = _needed(arguments, (link.name,))
    because = f"the script takes {_shown(link)}" + (f", by default {link.default}" if link.default else "")
    if _DEVICE.match(link.default):
        return LinkGuess(link.with_value("{link}"), because, transport="serial", also_needed=needed)
    if found := _WITH_SCHEME.fullmatch(link.default):
        scheme, host, port = found.groups()
        word = link.default.replace(f":{port}", ":{port}")
        side: Literal["listens", "dials"] = "listens" if _listens(scheme, host) else "dials"
        transport: Literal["udp", "tcp"] = "tcp" if scheme.startswith("tcp") else "udp"
        return LinkGuess(link.with_value(word), because, side=side, transport=transport, also_needed=needed)
    if re.fullmatch(r"[\w.-]+:\d+", link.default):
        return LinkGuess(link.with_value("{link}"), because, style="host-port", also_needed=needed)
    kind = link.default.partition(":")[0]
    if kind == "tcp":
        return LinkGuess(
            link.with_value("{link}"), because, transport="tcp", side="dials", also_needed=needed
        )
    return LinkGuess(
        link.with_value("{link}"),
        because,
        side="dials" if kind == "udpout" else "listens",
        also_needed=needed,
    )


def _listens(scheme: str, host: str) -> bool:
    """Whether an address is waited at rather than spoken to, as far as it shows."""
    return "in" in scheme.removeprefix("udp") or "listen" in scheme or host in ("", "0.0.0.0")  # noqa: S104 - read, not opened


def _shown(argument: _Argument) -> str:
    return argument.flag or f"its argument '{argument.name}'"


def _needed(arguments: tuple[_Argument, ...], taken: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(_shown(one) for one in arguments if one.needed and one.name not in taken)


def _side_of(texts: tuple[str, ...]) -> tuple[Literal["listens", "dials"], Literal["udp", "tcp"]]:
    """Who waits for whom, by how the script spells addresses; a script that says nothing waits."""
    starts = {text.partition(":")[0] for text in texts if ":" in text}
    if "tcp" in starts:
        return "dials", "tcp"
    return ("dials" if "udpout" in starts else "listens"), "udp"


def _from_places(tree: ast.Module, texts: tuple[str, ...]) -> LinkGuess | None:
    """A script that reads sys.argv itself."""
    places = [
        node.slice.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Subscript)
        and ast.unparse(node.value) == "sys.argv"
        and isinstance(node.slice, ast.Constant)
        and isinstance(node.slice.value, int)
    ]
    if 1 not in places:
        return None
    side, transport = _side_of(texts)
    return LinkGuess(("{link}",), "the script reads sys.argv[1]", side=side, transport=transport)


def _from_constants(texts: tuple[str, ...]) -> LinkGuess | None:
    """A script with an address of its own."""
    for text in texts:
        if found := _FIXED.fullmatch(text):
            kind, host, port, _ = found.groups()
            because = f"the script has an address of its own, {text}"
            place = f"{host if host not in ('', '0.0.0.0') else '127.0.0.1'}:{port}"  # noqa: S104 - read, not opened
            if kind in ("udpin", "udp"):
                return LinkGuess((), because, listens=f"udp-listen://{place}")
            if kind == "udpout":
                return LinkGuess((), because, dials=f"udp://{place}")
            if kind == "tcp":
                return LinkGuess((), because, dials=f"tcp://{place}")
    return None

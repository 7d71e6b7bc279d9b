"""Reads a parameter file: names and values of a vehicle's parameters, one to a line.

`name,value` on each line; blank lines, what follows a `#`, and a first line `name,value` count for nothing. The file
says nothing about units: a value is what the firmware's own parameter holds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

from asflown import files
from asflown.errors import FileProblem, Position, UsageError

NAME_BYTES_MAX = 16
"""Of a parameter in the protocol (PARAM_VALUE.param_id)."""
LARGEST_BYTES = 1_000_000


def read_parameters(file: Path) -> dict[str, float]:
    """The values by name, in the order of the file.

    Raises UsageError when it cannot be read, and FileProblem for the first line that is wrong.
    """
    try:
        lines = files.read_plain(file, LARGEST_BYTES).decode("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{file} cannot be read as text ({error})", "Name a file of `name,value`") from error
    found: dict[str, float] = {}
    for where, name, value in _entries(file, lines):
        if name in found:
            raise FileProblem(where, f"`{name}` is there twice", "Keep one of the two lines")
        found[name] = value
    return found


def write_parameters(file: Path, values: dict[str, float]) -> None:
    """Writes what `read_parameters` reads, in the order of `values`. Raises OSError."""
    lines = [f"{name},{value!r}\n" for name, value in values.items()]
    file.write_text("name,value\n" + "".join(lines), encoding="utf-8")


def _entries(file: Path, lines: list[str]) -> Iterator[tuple[Position, str, float]]:
    for number, line in enumerate(lines, 1):
        text = line.partition("#")[0].strip()
        if not text or (number == 1 and text.replace(" ", "") == "name,value"):
            continue
        where = Position(file, number, 1)
        name, comma, written = (part.strip() for part in text.partition(","))
        if not comma or not name or len(name.encode()) > NAME_BYTES_MAX:
            raise FileProblem(where, f"`{text}` is no name and value", "Write a line such as `tilt,25`")
        yield where, name, _value(where, name, written)


def _value(where: Position, name: str, written: str) -> float:
    try:
        value = float(written)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise FileProblem(where, f"the value `{written}` of `{name}` is no number", "Write one such as `25`")
    return value

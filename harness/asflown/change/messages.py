"""Frames as a person names them, and what of a frame its sender could have decided.

Time stamps and sequence numbers are no decision; nor is `confirmation`, which counts repetitions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pymavlink.dialects.v20 import development as mav

from asflown.record import decode, layout
from asflown.record.decode import Index

NOT_DECIDED = frozenset({
    "time_boot_ms", "time_usec", "time_unix_usec", "timestamp", "tc1", "ts1", "confirmation", "seq_time",
})  # fmt: skip
"""Fields that say when, or how often, and not what."""


@dataclass(frozen=True, slots=True)
class Said:
    """One frame, read."""

    message_id: int
    name: str
    fields: tuple[tuple[str, object], ...]
    """In the order of the wire, without those that are no decision; numbers as Python has them, arrays as tuples."""


def said(index: Index, number: int) -> Said:
    """What frame `number` of a capture says. A message that the dialect does not have is kept as bytes."""
    message_id = int(index.message_id[number])
    described = layout.layout(message_id)
    start = int(index.frame_start[number]) + int(index.header_length[number])
    payload = index.data[start : start + int(index.payload_length[number])].tobytes()
    if described is None:
        return Said(message_id, f"message {message_id}", (("payload", payload),))
    size = described.dtype.itemsize
    row = np.frombuffer(payload[:size].ljust(size, b"\0"), dtype=described.dtype)[0]
    names = [name for name in described.dtype.names or () if name not in NOT_DECIDED]
    return Said(message_id, described.name, tuple((name, _plain(row[name])) for name in names))


def command_name(number: int) -> str:
    """`NAV_TAKEOFF`, or `command 4711`."""
    entry = mav.enums["MAV_CMD"].get(number)
    return f"command {number}" if entry is None else str(entry.name).removeprefix("MAV_CMD_")


def title(one: Said) -> str:
    """The message as a person calls it; a command by its own name."""
    command = dict(one.fields).get("command")
    if isinstance(command, int) and one.name.startswith("COMMAND_"):
        return f"{one.name} {command_name(command)}"
    return one.name


def unequal_fields(one: Said, other: Said) -> list[str]:
    """`x 7.03 and 8.12` for each field in which two messages of one kind differ, the greatest difference first."""
    theirs = dict(other.fields)
    unequal = [(name, value, theirs.get(name)) for name, value in one.fields]
    unequal = [found for found in unequal if not _equal(*found[1:])]
    unequal.sort(key=lambda found: -_apart(*found[1:]))
    return [f"{name} {' and '.join(_shown(value, its_twin))}" for name, value, its_twin in unequal]


def _apart(one: object, other: object) -> float:
    """How much two values differ, as a share of their size; what is no number differs altogether."""
    if not isinstance(one, int | float) or not isinstance(other, int | float):
        return 2.0
    size = abs(one) + abs(other)
    return abs(one - other) / size if np.isfinite(size) and size else 2.0


def _shown(one: object, other: object) -> tuple[str, str]:
    """Two values that differ, with as few digits as show it."""
    if isinstance(one, float) and isinstance(other, float):
        for digits in (3, 5, 8):
            texts = f"{one:.{digits}g}", f"{other:.{digits}g}"
            if texts[0] != texts[1]:
                return texts
    return _text(one), _text(other)


def _text(value: object) -> str:
    return f"'{decode.text(value)}'" if isinstance(value, bytes) else f"{value!r:.40}"


def _plain(value: object) -> object:
    if isinstance(value, np.ndarray):
        return tuple(value.tolist())
    return value.item() if isinstance(value, np.generic) else value


def _equal(one: object, other: object) -> bool:
    both_nan = isinstance(one, float) and isinstance(other, float) and np.isnan(one) and np.isnan(other)
    return both_nan or one == other

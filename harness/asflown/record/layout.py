"""How each MAVLink message lies in a payload, as NumPy structured types.

Layouts are made from the dialect module, never by hand. The dialect is `development`: the standard's own
superset of `common`, which has the messages for available modes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from pymavlink.dialects.v20 import development

LONGEST_PAYLOAD = 255
"""Bytes; the length is one byte of the frame."""

_MAP = development.mavlink_map
_KNOWN_BELOW = max(_MAP) + 1


@dataclass(frozen=True, slots=True)
class Layout:
    """One message. `dtype` is packed and in the order of the wire, extensions included."""

    message_id: int
    name: str
    dtype: np.dtype[np.void]
    crc_extra: int


@cache
def layout(message_id: int) -> Layout | None:
    """The layout of a message, or None when the dialect does not have it."""
    message = _MAP.get(message_id)
    if message is None:
        return None
    fields = zip(
        message.ordered_fieldnames,
        message.native_format[1:].decode("ascii"),
        message.array_lengths,
        strict=True,
    )
    described = [_field(name, code, length) for name, code, length in fields]
    return Layout(message_id, message.msgname, np.dtype(described), message.crc_extra)


def _field(name: str, code: str, length: int) -> tuple[str, str] | tuple[str, str, tuple[int]]:
    """A field for NumPy: text of `length` bytes, an array, or one number; numbers are little-endian."""
    if code == "c":
        return name, f"S{length or 1}"
    kind = np.dtype(f"<{_NUMPY_CODE[code]}").str
    return (name, kind, (length,)) if length else (name, kind)


_NUMPY_CODE = {
    "b": "i1", "B": "u1", "h": "i2", "H": "u2", "i": "i4", "I": "u4", "q": "i8", "Q": "u8", "f": "f4", "d": "f8",
}  # fmt: skip


@cache
def message_id(name: str) -> int:
    """The number of the message `name` (`ATTITUDE`). Raises KeyError when the dialect does not have it."""
    numbers: dict[str, int] = {message.msgname: number for number, message in _MAP.items()}
    return numbers[name]


def crc_extras(message_ids: npt.NDArray[np.int32]) -> npt.NDArray[np.int16]:
    """CRC_EXTRA of each id; -1 where the message is not known."""
    inside = message_ids < _KNOWN_BELOW
    return np.where(inside, _extra_table()[np.where(inside, message_ids, 0)], np.int16(-1))


def crc_extra(message_id: int) -> int | None:
    """CRC_EXTRA of one id; None where the message is not known."""
    message = _MAP.get(message_id)
    return None if message is None else int(message.crc_extra)


@cache
def _extra_table() -> npt.NDArray[np.int16]:
    table = np.full(_KNOWN_BELOW, -1, dtype=np.int16)
    for number, message in _MAP.items():
        table[number] = message.crc_extra
    return table

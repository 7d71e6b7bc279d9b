"""The MAVLink checksum of many frames at once.

CRC-16/MCRF4XX (polynomial 0x1021 reflected, start 0xFFFF, no final inversion). Its state is as wide as two bytes, so
that one look into a table of 65,536 takes two bytes of every frame further. Source: MAVLink guide, Packet
Serialization, Checksum.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

_START = 0xFFFF
_REFLECTED_POLYNOMIAL = 0x8408

_ROWS_AT_ONCE = 1 << 12
"""Frames taken together: their bytes stay in the cache."""

Codes = npt.NDArray[np.uint16]


def checksums(frames: npt.NDArray[np.uint8], extra: npt.NDArray[np.uint8]) -> Codes:
    """The checksum of each row of `frames`, shape (n, length), followed by its `extra` byte, shape (n,)."""
    result = np.empty(len(frames), dtype=np.uint16)
    for begin in range(0, len(frames), _ROWS_AT_ONCE):
        part = slice(begin, begin + _ROWS_AT_ONCE)
        result[part] = _rows(frames[part], extra[part])
    return result


def _rows(frames: npt.NDArray[np.uint8], extra: npt.NDArray[np.uint8]) -> Codes:
    """A byte without a partner goes first."""
    one, two = _tables()
    count, length = frames.shape
    odd = (length + 1) % 2
    by_place = np.empty((length + 1, count), dtype=np.uint8)
    by_place[:length], by_place[length] = frames.T, extra
    code = np.full(count, _START, dtype=np.uint16)
    if odd:
        code = (code >> 8) ^ one[(code ^ by_place[0]) & 0xFF]
    for first in range(odd, length + 1, 2):
        pair = by_place[first + 1].astype(np.uint16)
        pair <<= 8
        pair |= by_place[first]
        pair ^= code
        code = two.take(pair)
    return code


@cache
def _tables() -> tuple[Codes, Codes]:
    """What the state becomes by one more byte (256 entries) and by two (65,536), of a state that is 0 elsewhere."""
    one = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        one = np.where(one & 1, (one >> 1) ^ _REFLECTED_POLYNOMIAL, one >> 1).astype(np.uint16)
    state = np.arange(1 << 16, dtype=np.uint16)
    for _ in range(2):
        state = (state >> 8) ^ one[state & 0xFF]
    return one, state

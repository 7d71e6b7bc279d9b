"""The MAVLink checksum of many frames at once.

CRC-16/MCRF4XX (polynomial 0x1021 reflected, start 0xFFFF, no final inversion) is linear: the checksum of a
frame is the exclusive-or of what each byte contributes from where it stands, and a table has those
contributions. Source: MAVLink guide, Packet Serialization, Checksum.
"""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import numpy.typing as npt

_START = 0xFFFF
_REFLECTED_POLYNOMIAL = 0x8408
_FARTHEST = 300
"""More than the bytes under the checksum of the longest frame."""

_BYTES_AT_ONCE = 1 << 16


def checksums(
    data: npt.NDArray[np.uint8],
    first: npt.NDArray[np.int64],
    length: npt.NDArray[np.int64],
    extra: npt.NDArray[np.uint8],
) -> npt.NDArray[np.uint16]:
    """The checksum of each stretch `data[first:first + length]` followed by its `extra` byte.

    All arrays but `data` have shape (n,); every length lies between 1 and 299.
    """
    result = np.empty(len(first), dtype=np.uint16)
    block_of = np.cumsum(length) // _BYTES_AT_ONCE
    edges = [0, *(np.flatnonzero(np.diff(block_of)) + 1).tolist(), len(first)]
    for start, end in itertools.pairwise(edges):
        if end > start:
            part = slice(start, end)
            result[part] = _block(data, first[part], length[part], extra[part])
    return result


def _block(
    data: npt.NDArray[np.uint8],
    first: npt.NDArray[np.int64],
    length: npt.NDArray[np.int64],
    extra: npt.NDArray[np.uint8],
) -> npt.NDArray[np.uint16]:
    by_place, of_start = _tables()
    row = np.cumsum(length) - length
    running = np.arange(int(row[-1] + length[-1]))
    byte = data[running + np.repeat(first - row, length)]
    bytes_behind = np.repeat(row + length, length) - running
    contributions = by_place.take(bytes_behind * 256 + byte)
    return np.asarray(
        np.bitwise_xor.reduceat(contributions, row) ^ by_place[extra] ^ of_start[length + 1], dtype=np.uint16
    )


@cache
def _tables() -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16]]:
    """What a byte adds with n bytes behind it, at n * 256 + byte; and what the start value becomes after n bytes."""
    one = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        one = np.where(one & 1, (one >> 1) ^ _REFLECTED_POLYNOMIAL, one >> 1).astype(np.uint16)
    by_place = np.empty((_FARTHEST, 256), dtype=np.uint16)
    of_start = np.empty(_FARTHEST, dtype=np.uint16)
    by_place[0], of_start[0] = one, _START
    for behind in range(1, _FARTHEST):
        by_place[behind] = (by_place[behind - 1] >> 8) ^ one[by_place[behind - 1] & 0xFF]
        of_start[behind] = (of_start[behind - 1] >> 8) ^ one[of_start[behind - 1] & 0xFF]
    return by_place.ravel(), of_start

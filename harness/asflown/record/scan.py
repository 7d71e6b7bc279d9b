"""Finds the frames in the bytes of a tlog.

A record is an 8-byte stamp and a frame. Records are walked by their lengths and believed by their checksums:
where the walk gets out of step, the next frame whose checksum holds is looked for. The file is taken in blocks, so
that what is held at a time depends on the block and not on the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from fastcrc.crc16 import mcrf4xx
from numpy.lib.stride_tricks import sliding_window_view

from asflown.record import layout
from asflown.record.checksum import checksums

STAMP_BYTES = 8
V1_HEADER_BYTES, V2_HEADER_BYTES = 6, 10
SIGNED = 0x01
_V1, _V2 = 0xFE, 0xFD
_SIGNATURE_BYTES = 13
_CHECKSUM_BYTES = 2
LONGEST_FRAME_BYTES = V2_HEADER_BYTES + 255 + _CHECKSUM_BYTES + _SIGNATURE_BYTES
_START = re.compile(rb"[\xfd\xfe]")
SHORTEST_RECORD = STAMP_BYTES + V1_HEADER_BYTES + _CHECKSUM_BYTES
_SEARCH_BYTES = 1 << 16
_NEAR_BYTES = 1 << 12
"""What is searched frame by frame behind rubbish, before windows are: the next good frame is mostly near."""
_BLOCK_BYTES, _FIRST_BLOCK_BYTES = 1 << 21, 1 << 12
"""A walk begins with a short block and doubles it, so that a file with much damage costs no more than its length."""

Bytes = npt.NDArray[np.uint8]
Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames at possible places, taken apart but not believed yet."""

    start: Whole
    header: Bytes
    """Length of the header: it tells the version, too."""
    payload_length: Bytes
    length: npt.NDArray[np.uint16]
    message_id: npt.NDArray[np.int32]
    flags: Bytes
    """Incompatibility flags; 0 in version 1."""
    good: npt.NDArray[np.bool_]
    """The message is known and its checksum holds."""
    known: npt.NDArray[np.bool_]

    def part(self, chosen: slice) -> Frames:
        """The chosen frames."""
        return Frames(*(getattr(self, field.name)[chosen] for field in fields(self)))


def runs(data: Bytes) -> Iterator[Frames]:
    """Every frame that is believed to be in `data`, in order and some at a time; damaged ones in their place.

    A stretch is believed up to its last good frame: a walk that got out of step does not meet another one. What
    follows that frame is believed only when nothing good is found behind it at any other place.
    """
    place: int | None = 0
    block = _FIRST_BLOCK_BYTES
    while place is not None and place + SHORTEST_RECORD <= len(data):
        starts, broken = _walk(data, place, block)
        walked = take_apart(data, starts)
        good = np.flatnonzero(walked.good)
        if not broken and not len(good):
            block *= 2  # nothing known in all of it: a longer stretch decides
            continue
        block = _FIRST_BLOCK_BYTES if broken else min(2 * block, _BLOCK_BYTES)
        believed = int(good[-1]) + 1 if len(good) else 0
        yield walked.part(slice(believed))
        if believed:
            place = int(walked.start[believed - 1]) + int(walked.length[believed - 1])
        if broken:
            place = _next_good(data, place)
            if place is None:
                yield walked.part(slice(believed, None))


def _walk(data: Bytes, place: int, block: int) -> tuple[Whole, bool]:
    """Where the frames are of records that follow each other from `place` on, by their start bytes and lengths.

    At most as far as `block`; the second result says that the walk ended before: by rubbish, or with the file.
    """
    window = data[place : place + block]
    candidates = np.flatnonzero((window[STAMP_BYTES:] - np.uint8(_V2)) < 2) + STAMP_BYTES  # 0xFD and 0xFE
    candidates = candidates[candidates + 2 < len(window)]
    if not len(candidates) or candidates[0] != STAMP_BYTES:
        return np.empty(0, np.int64), True
    v2 = window[candidates] == _V2
    signed = v2 & (window[candidates + 2] & SIGNED > 0)
    end = candidates + window[candidates + 1] + np.where(v2, 12, 8) + np.where(signed, _SIGNATURE_BYTES, 0)
    follower = np.searchsorted(candidates, end + STAMP_BYTES)
    follower[follower == len(candidates)] = 0
    follower[candidates[follower] != end + STAMP_BYTES] = 0  # nobody is followed by the first
    chain, number = [0], 0
    onwards = follower.tolist()
    while number := onwards[number]:
        chain.append(number)
    inside = end[chain] <= len(window)
    starts = candidates[chain][inside] + place
    reaches_end = place + block < len(data) and int(end[chain[-1]]) + SHORTEST_RECORD + 300 > len(window)
    return starts, not (reaches_end and len(starts) > 0)


def _next_good(data: Bytes, place: int) -> int | None:
    """The place of the first record at or behind `place` whose frame is known and has the right checksum."""
    first = place + STAMP_BYTES
    near = data[first : first + _NEAR_BYTES + LONGEST_FRAME_BYTES].tobytes()
    for found in _START.finditer(near, 0, _NEAR_BYTES):
        if _is_good(near, found.start()):
            return place + found.start()
    for start in range(first + _NEAR_BYTES, len(data), _SEARCH_BYTES):
        window = data[start : start + _SEARCH_BYTES]
        starts = np.flatnonzero((window == _V1) | (window == _V2)) + start
        frames = take_apart(data, starts)
        if frames.good.any():
            return int(frames.start[np.argmax(frames.good)]) - STAMP_BYTES
    return None


def _is_good(data: bytes, at: int) -> bool:
    """As `take_apart` has it, for the one frame at `at`; 20 times as quick for one as for an array of them."""
    head = data[at : at + V2_HEADER_BYTES].ljust(V2_HEADER_BYTES, b"\0")
    v2 = head[0] == _V2
    signed = head[2] & SIGNED if v2 else 0
    if v2 and head[2] & ~SIGNED:
        return False
    extra = layout.crc_extra(head[7] | head[8] << 8 | head[9] << 16 if v2 else head[5])
    end = at + (V2_HEADER_BYTES if v2 else V1_HEADER_BYTES) + head[1]
    if extra is None or end + _CHECKSUM_BYTES + (_SIGNATURE_BYTES if signed else 0) > len(data):
        return False
    return mcrf4xx(data[at + 1 : end] + bytes((extra,))) == data[end] | data[end + 1] << 8


def take_apart(data: Bytes, start: Whole) -> Frames:
    """What the frames at `start` would be; a frame that does not fit into the file is not good."""
    head = _rows(data, start, V2_HEADER_BYTES)
    v2 = head[:, 0] == _V2
    header = np.where(v2, np.uint8(V2_HEADER_BYTES), np.uint8(V1_HEADER_BYTES))
    flags = np.where(v2, head[:, 2], np.uint8(0))
    length = header + head[:, 1].astype(np.uint16) + np.uint16(_CHECKSUM_BYTES)
    length += np.where(flags & SIGNED, np.uint16(_SIGNATURE_BYTES), np.uint16(0))
    low, middle, high = (head[:, place].astype(np.int32) for place in (7, 8, 9))
    message_id = np.where(v2, low | middle << 8 | high << 16, head[:, 5].astype(np.int32))
    extra = layout.crc_extras(message_id)
    known = (extra >= 0) & (start + length <= len(data))
    good = known & (flags & ~np.uint8(SIGNED) == 0)
    covered_end = header.astype(np.int64) + head[:, 1]
    picked = np.flatnonzero(good)
    good[picked] = _checksum_holds(data, start[picked], covered_end[picked], extra[picked].astype(np.uint8))
    return Frames(start, header, head[:, 1], length, message_id, flags, good, known)


def _checksum_holds(
    data: Bytes, start: Whole, covered_end: Whole, extra: npt.NDArray[np.uint8]
) -> npt.NDArray[np.bool_]:
    """Whether the two bytes behind `start + covered_end` are the checksum of what lies between."""
    holds = np.empty(len(start), dtype=np.bool_)
    for length in np.unique(covered_end).tolist():
        of_length = np.flatnonzero(covered_end == length)
        rows = _rows(data, start[of_length], length + _CHECKSUM_BYTES)
        sent = rows[:, length].astype(np.uint16) | rows[:, length + 1].astype(np.uint16) << 8
        holds[of_length] = checksums(rows[:, 1:length], extra[of_length]) == sent
    return holds


def _rows(data: Bytes, start: Whole, width: int) -> Bytes:
    """`width` bytes from each start on, zeros behind the end of the file, shape (n, width)."""
    if not len(start):
        return np.empty((0, width), dtype=np.uint8)
    if int(start[-1]) + width <= len(data):  # starts rise
        return np.asarray(sliding_window_view(data, width)[start])
    place = start[:, None] + np.arange(width)
    rows = data[np.minimum(place, len(data) - 1)]
    rows[place >= len(data)] = 0
    return np.asarray(rows)

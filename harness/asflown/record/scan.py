"""Finds the frames in the bytes of a tlog.

A record is an 8-byte stamp and a frame. Records are walked by their lengths and believed by their checksums:
where the walk gets out of step, the next frame whose checksum holds is looked for.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from asflown.record import layout
from asflown.record.checksum import checksums

STAMP_BYTES = 8
V1_HEADER_BYTES, V2_HEADER_BYTES = 6, 10
SIGNED = 0x01
_V1, _V2 = 0xFE, 0xFD
_SIGNATURE_BYTES = 13
_CHECKSUM_BYTES = 2
_SHORTEST_RECORD = STAMP_BYTES + V1_HEADER_BYTES + _CHECKSUM_BYTES
_SEARCH_BYTES = 1 << 16

Bytes = npt.NDArray[np.uint8]
Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames at possible places, taken apart but not believed yet."""

    start: Whole
    header: Whole
    payload_length: Whole
    length: Whole
    message_id: Whole
    flags: Whole
    """Incompatibility flags; 0 in version 1."""
    good: npt.NDArray[np.bool_]
    """The message is known and its checksum holds."""
    known: npt.NDArray[np.bool_]

    def part(self, chosen: slice) -> Frames:
        """The chosen frames."""
        return Frames(*(getattr(self, field.name)[chosen] for field in fields(self)))


def frames(data: Bytes) -> Frames:
    """Every frame that is believed to be in `data`, in order; damaged ones in their place among them."""
    runs = list(_runs(data)) or [take_apart(data, np.empty(0, np.int64))]
    return Frames(*(np.concatenate([getattr(run, field.name) for run in runs]) for field in fields(Frames)))


def _runs(data: Bytes) -> Iterator[Frames]:
    """Stretches of records that follow each other.

    A stretch is believed up to its last good frame: a walk that got out of step does not meet another one. What
    follows that frame is believed only when nothing good is found behind it at any other place.
    """
    place: int | None = 0
    while place is not None and place + _SHORTEST_RECORD <= len(data):
        walked = take_apart(data, _walk(memoryview(data.data), place) + STAMP_BYTES)
        good = np.flatnonzero(walked.good)
        believed = int(good[-1]) + 1 if len(good) else 0
        yield walked.part(slice(believed))
        if believed:
            place = int(walked.start[believed - 1] + walked.length[believed - 1])
        place = _next_good(data, place)
        if place is None:
            yield walked.part(slice(believed, None))


def _walk(data: memoryview, place: int) -> Whole:
    """The places of the records that follow each other from `place` on, by their start bytes and lengths alone."""
    places = array("q")
    size = len(data)
    while place + _SHORTEST_RECORD <= size:
        start_byte = data[place + 8]
        if start_byte == _V2:
            end = place + 20 + data[place + 9] + (_SIGNATURE_BYTES if data[place + 10] & SIGNED else 0)
        elif start_byte == _V1:
            end = place + 16 + data[place + 9]
        else:
            break
        if end > size:
            break
        places.append(place)
        place = end
    return np.frombuffer(places, dtype=np.int64) if places else np.empty(0, np.int64)


def _next_good(data: Bytes, place: int) -> int | None:
    """The place of the first record at or behind `place` whose frame is known and has the right checksum."""
    for start in range(place + STAMP_BYTES, len(data), _SEARCH_BYTES):
        window = data[start : start + _SEARCH_BYTES]
        starts = np.flatnonzero((window == _V1) | (window == _V2)) + start
        frames = take_apart(data, starts)
        if frames.good.any():
            return int(frames.start[np.argmax(frames.good)]) - STAMP_BYTES
    return None


def take_apart(data: Bytes, start: Whole) -> Frames:
    """What the frames at `start` would be; a frame that does not fit into the file is not good."""
    padded = np.minimum(start[:, None] + np.arange(10), len(data) - 1)
    head = data[padded].astype(np.int64)
    v2 = head[:, 0] == _V2
    header = np.where(v2, V2_HEADER_BYTES, V1_HEADER_BYTES)
    flags = np.where(v2, head[:, 2], 0)
    length = header + head[:, 1] + _CHECKSUM_BYTES + np.where(flags & SIGNED, _SIGNATURE_BYTES, 0)
    message_id = np.where(v2, head[:, 7] | head[:, 8] << 8 | head[:, 9] << 16, head[:, 5])
    extra = layout.crc_extras(message_id)
    known = (extra >= 0) & (start + length <= len(data))
    good = known & (flags & ~SIGNED == 0)
    picked = np.flatnonzero(good)
    good[picked] = _checksum_holds(data, start[picked], (header + head[:, 1])[picked], extra[picked])
    return Frames(start, header, head[:, 1], length, message_id, flags, good, known)


def _checksum_holds(
    data: Bytes, start: Whole, covered_end: Whole, extra: npt.NDArray[np.int16]
) -> npt.NDArray[np.bool_]:
    """Whether the two bytes behind `start + covered_end` are the checksum of what lies between."""
    computed = checksums(data, start + 1, covered_end - 1, extra.astype(np.uint8))
    sent = data[start + covered_end].astype(np.uint16) | data[start + covered_end + 1].astype(np.uint16) << 8
    return np.asarray(computed == sent)

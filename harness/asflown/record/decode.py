"""Reads tlog files into arrays: where each frame is, once; then the fields of one message as columns.

A record is an 8-byte big-endian stamp in microseconds and a MAVLink frame (version 1 or 2, signed or not).
Nothing is believed without its checksum: where records do not follow each other, the next frame whose checksum
holds is looked for. No Python object is made for each message, and the file is mapped, not loaded: an index takes
INDEX_BYTES of memory for each frame, and columns what their numbers take.
"""

from __future__ import annotations

import mmap
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from asflown import files
from asflown.errors import FolderProblem
from asflown.record import layout, scan
from asflown.record.scan import STAMP_BYTES, Bytes, Frames, Whole

INDEX_BYTES = 27
"""What the index holds in memory for each frame."""
_AT_ONCE = 1 << 16
"""Payloads that are put into columns together."""


@dataclass(frozen=True, slots=True)
class Index:
    """Where the frames of one tlog are. All arrays have one entry for each good frame, in the file's order."""

    path: Path
    data: Bytes
    """The whole file, mapped."""
    time_us: Whole
    frame_start: Whole
    frame_length: npt.NDArray[np.uint16]
    header_length: Bytes
    payload_length: Bytes
    message_id: npt.NDArray[np.int32]
    system: Bytes
    component: Bytes
    sequence: Bytes
    damaged_frames: int
    """Frames in their place whose checksum does not hold."""
    refused_frames: int
    """Frames with an incompatibility flag that nobody here knows: the standard has them dropped."""
    rubbish_bytes: int
    """Bytes that belong to no frame, an incomplete record at the end among them."""

    def __len__(self) -> int:
        return len(self.time_us)

    def frame(self, number: int) -> bytes:
        """The bytes of one frame as they were on the wire."""
        start = int(self.frame_start[number])
        return self.data[start : start + int(self.frame_length[number])].tobytes()


def index(path: Path) -> Index:
    """Finds every frame of the tlog at `path`.

    Raises FolderProblem when it cannot be read, or holds bytes but no frame at all.
    """
    try:
        data = _mapped(path)
    except OSError as error:
        raise FolderProblem(
            f"{path} cannot be read ({error.strerror})", "Name a flight folder or a tlog file"
        ) from error
    gathered = _Gathered(len(data))
    for frames in scan.runs(data):
        gathered.add(_Part.of(data, frames))
    if len(data) and not gathered.good:
        raise FolderProblem(
            f"{path} has no MAVLink frame", "Name a tlog: records of an 8-byte time stamp and a frame"
        )
    return gathered.index(path, data)


@dataclass(frozen=True, slots=True)
class _Part:
    """The index of some frames that follow each other."""

    columns: tuple[npt.NDArray[np.generic], ...]
    """In the order of Index, from `time_us` on."""
    good: int
    damaged: int
    refused: int
    recorded_bytes: int

    @staticmethod
    def of(data: Bytes, frames: Frames) -> _Part:
        refused = frames.flags & ~np.uint8(scan.SIGNED) != 0
        damaged = frames.known & ~frames.good & ~refused
        keep = ~refused & ~damaged
        start, header = frames.start[keep], frames.header[keep]
        v2 = header == scan.V2_HEADER_BYTES
        columns = (
            _stamps(data, start),
            start,
            frames.length[keep],
            header,
            frames.payload_length[keep],
            frames.message_id[keep],
            data[start + np.where(v2, 5, 3)],
            data[start + np.where(v2, 6, 4)],
            data[start + np.where(v2, 4, 2)],
        )
        recorded = int(frames.length.sum(dtype=np.int64)) + STAMP_BYTES * len(frames.start)
        return _Part(columns, int(frames.good.sum()), int(damaged.sum()), int(refused.sum()), recorded)


class _Gathered:
    """The columns of an index as they come: room for as many frames as the file could hold, taken as it is filled.

    So nothing is held twice: memory that nobody has written to is promised by the system, and not used.
    """

    def __init__(self, file_bytes: int) -> None:
        room = file_bytes // scan.SHORTEST_RECORD + 1
        self._columns = [np.empty(room, dtype) for dtype in _COLUMNS.values()]
        self._frames, self.good = 0, 0
        self._damaged, self._refused, self._recorded_bytes = 0, 0, 0

    def add(self, part: _Part) -> None:
        """Puts a part behind what is there."""
        end = self._frames + len(part.columns[0])
        for column, more in zip(self._columns, part.columns, strict=True):
            column[self._frames : end] = more
        self._frames = end
        self.good += part.good
        self._damaged += part.damaged
        self._refused += part.refused
        self._recorded_bytes += part.recorded_bytes

    def index(self, path: Path, data: Bytes) -> Index:
        """The index of all parts."""
        filled = (column[: self._frames] for column in self._columns)
        return Index(
            path,
            data,
            **dict(zip(_COLUMNS, filled, strict=True)),
            damaged_frames=self._damaged,
            refused_frames=self._refused,
            rubbish_bytes=len(data) - self._recorded_bytes,
        )


_COLUMNS = {
    "time_us": np.int64,
    "frame_start": np.int64,
    "frame_length": np.uint16,
    "header_length": np.uint8,
    "payload_length": np.uint8,
    "message_id": np.int32,
    "system": np.uint8,
    "component": np.uint8,
    "sequence": np.uint8,
}
"""The columns of Index, in its order: INDEX_BYTES together."""


def columns(
    of: Index, message_id: int, *, system: int | None = None, component: int | None = None
) -> npt.NDArray[np.void]:
    """All messages `message_id` as a structured array: `time_us` (Unix microseconds), then the fields.

    Fields have the names and types of the standard, in the order of the wire; text is bytes, see `text`.
    A payload shorter than the layout is filled up with zeros, a longer one is cut. Raises KeyError for a message
    that the dialect does not have.
    """
    described = layout.layout(message_id)
    if described is None:
        raise KeyError(message_id)
    chosen = of.message_id == message_id
    if system is not None:
        chosen &= of.system == system
    if component is not None:
        chosen &= of.component == component
    picked = np.flatnonzero(chosen)
    table = np.empty(len(picked), dtype=_with_time(described.dtype))
    table["time_us"] = of.time_us[picked]
    rows = table.view(np.uint8).reshape(len(picked), table.dtype.itemsize)
    for begin in range(0, len(picked), _AT_ONCE):
        part = slice(begin, begin + _AT_ONCE)
        rows[part, STAMP_BYTES:] = _payloads(of, picked[part], described.dtype.itemsize)
    return table


def text(raw: bytes) -> str:
    """A text field as people read it: it ends at its first zero; bytes that are not UTF-8 are made visible."""
    return raw.partition(b"\0")[0].decode("utf-8", "backslashreplace")


def _with_time(fields: np.dtype[np.void]) -> np.dtype[np.void]:
    return np.dtype([("time_us", "<i8"), *fields.descr])


def _payloads(of: Index, picked: Whole, width: int) -> Bytes:
    """The first `width` bytes of each picked payload, zeros behind its end; shape (n, width)."""
    rows = np.zeros((len(picked), width), dtype=np.uint8)
    start, length = (
        of.frame_start[picked] + of.header_length[picked],
        np.minimum(of.payload_length[picked], width),
    )
    for known in np.unique(length).tolist():
        if known:
            of_length = np.flatnonzero(length == known)
            rows[of_length, :known] = sliding_window_view(of.data, known)[start[of_length]]
    return rows


def _mapped(path: Path) -> Bytes:
    """The file's bytes without loading them. Raises OSError."""
    with files.open_plain(path) as file:
        if os.fstat(file.fileno()).st_size == 0:
            return np.empty(0, dtype=np.uint8)
        return np.frombuffer(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ), dtype=np.uint8)


def _stamps(data: Bytes, start: Whole) -> Whole:
    """The stamps before the frames at `start`, big-endian."""
    if not len(start):
        return np.empty(0, np.int64)
    raw = np.ascontiguousarray(sliding_window_view(data, STAMP_BYTES)[start - STAMP_BYTES])
    return raw.view(">u8").astype(np.int64)[:, 0]

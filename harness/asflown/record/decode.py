"""Reads tlog files into arrays: where each frame is, once; then the fields of one message as columns.

A record is an 8-byte big-endian stamp in microseconds and a MAVLink frame (version 1 or 2, signed or not).
Nothing is believed without its checksum: where records do not follow each other, the next frame whose checksum
holds is looked for. No Python object is made for each message, and the file is mapped, not loaded.
"""

from __future__ import annotations

import mmap
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from asflown.errors import FolderProblem
from asflown.record import layout, scan
from asflown.record.scan import STAMP_BYTES, Bytes, Whole


@dataclass(frozen=True, slots=True)
class Index:
    """Where the frames of one tlog are. All arrays have one entry for each good frame, in the file's order."""

    path: Path
    data: Bytes
    """The whole file, mapped."""
    time_us: Whole
    frame_start: Whole
    frame_length: Whole
    payload_start: Whole
    payload_length: Whole
    message_id: Whole
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
    frames = scan.frames(data)
    if len(data) and not frames.good.any():
        raise FolderProblem(
            f"{path} has no MAVLink frame", "Name a tlog: records of an 8-byte time stamp and a frame"
        )
    return _index(path, data, frames)


def _index(path: Path, data: Bytes, frames: scan.Frames) -> Index:
    refused = frames.flags & ~scan.SIGNED != 0
    damaged = frames.known & ~frames.good & ~refused
    keep = ~refused & ~damaged
    start, header = frames.start[keep], frames.header[keep]
    v2 = header == scan.V2_HEADER_BYTES
    recorded = int(frames.length.sum()) + STAMP_BYTES * len(frames.start)
    return Index(
        path=path,
        data=data,
        time_us=_stamps(data, start),
        frame_start=start,
        frame_length=frames.length[keep],
        payload_start=start + header,
        payload_length=frames.payload_length[keep],
        message_id=frames.message_id[keep],
        system=data[start + np.where(v2, 5, 3)],
        component=data[start + np.where(v2, 6, 4)],
        sequence=data[start + np.where(v2, 4, 2)],
        damaged_frames=int(damaged.sum()),
        refused_frames=int(refused.sum()),
        rubbish_bytes=len(data) - recorded,
    )


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
    rows[:, STAMP_BYTES:] = _payloads(of, picked, described.dtype.itemsize)
    return table


def text(raw: bytes) -> str:
    """A text field as people read it: it ends at its first zero; bytes that are not UTF-8 are made visible."""
    return raw.partition(b"\0")[0].decode("utf-8", "backslashreplace")


def _with_time(fields: np.dtype[np.void]) -> np.dtype[np.void]:
    return np.dtype([("time_us", "<i8"), *fields.descr])


def _payloads(of: Index, picked: Whole, width: int) -> Bytes:
    """The first `width` bytes of each picked payload, zeros behind its end; shape (n, width)."""
    place = np.arange(width)
    rows: Bytes = of.data[np.minimum(of.payload_start[picked, None] + place, max(0, len(of.data) - 1))]
    rows[place >= of.payload_length[picked, None]] = 0
    return rows


def _mapped(path: Path) -> Bytes:
    """The file's bytes without loading them. Raises OSError."""
    with path.open("rb") as file:
        if path.stat().st_size == 0:
            return np.empty(0, dtype=np.uint8)
        return np.frombuffer(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ), dtype=np.uint8)


def _stamps(data: Bytes, start: Whole) -> Whole:
    """The stamps before the frames at `start`, big-endian."""
    raw = data[start[:, None] + np.arange(-STAMP_BYTES, 0)]
    return raw.view(">u8").astype(np.int64)[:, 0] if len(start) else np.empty(0, np.int64)

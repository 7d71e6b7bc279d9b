"""Writes a flight's captures as they happen, and the digest that says whether two flights were the same.

Stamps are unique over all taps: sorting frames by stamp restores the order in which they were seen. What was
flushed survives the death of this process. A file that cannot be written any more is reported once, by the
call that found out; the other files go on and are closed properly.

The digest covers every frame with its tap and its stamp in flight time, every event, the vehicle's state, the
script's output and exit code. How often output and state were handed over makes no difference to it.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import os
import struct
from collections.abc import Callable
from io import FileIO
from pathlib import Path
from typing import Any, Literal

from asflown.errors import FlightError, FolderProblem, HarnessFault
from asflown.record import folder as folders
from asflown.record import truth

Tap = Literal["vehicle", "script", "station"]

FLUSH_INTERVAL_US = 50_000
"""Longest flight time that frames wait in memory while frames keep coming."""

FLUSH_BYTES = 1 << 20
"""How many bytes of frames wait in memory at most, however quickly they come."""

_DIGEST_BYTES = 16
_FRAME_HEAD = struct.Struct("<BqH").pack
_TAP_TAG: dict[str, int] = {"vehicle": 1, "script": 2, "station": 3}


class _File:
    """One file of the capture: records wait in memory until `flush`; after a failed write it takes nothing more."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.waiting: list[bytes] = []
        """Whole records; the first of them begins where `bytes_written` ends."""
        self.bytes_written = 0
        self.head = b""
        """Replaces the first bytes of the file when it is closed."""
        self._raw: FileIO | None = FileIO(path, "xb")

    def flush(self) -> None:
        """Hands everything to the system. Raises OSError, once; the file ends with a whole record then, too.

        How far it came is asked of the file, not counted: a signal may end this in the middle, and the next call
        goes on there.
        """
        if self._raw is None:
            self.waiting.clear()
        if self._raw is None or not self.waiting:
            return
        batch = b"".join(self.waiting)
        try:
            while (taken := self._raw.tell() - self.bytes_written) < len(batch):
                self._raw.write(batch[taken:])
        except OSError:
            self._cut_to_records()
            self._give_up()
            raise
        self.bytes_written, self.waiting = self.bytes_written + len(batch), []

    def _cut_to_records(self) -> None:
        """Takes back the part of a record that a full disk still took."""
        assert self._raw is not None
        with contextlib.suppress(OSError):
            taken = self._raw.tell() - self.bytes_written
            ends = itertools.accumulate(len(record) for record in self.waiting)
            self.bytes_written += max((end for end in ends if end <= taken), default=0)
            self._raw.truncate(self.bytes_written)

    def write_out(self) -> None:
        """Has the system begin to write the file to its disk. Raises OSError."""
        if self._raw is not None:
            os.pwrite(self._raw.fileno(), self.head, 0)
            with contextlib.suppress(OSError):  # a hint, which not every file system takes
                os.posix_fadvise(self._raw.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)

    def make_durable(self) -> None:
        """Waits until the disk has the file. Raises OSError."""
        if self._raw is not None:
            os.fsync(self._raw.fileno())

    def close(self) -> None:
        """Closes the file. Raises OSError; the file is closed all the same."""
        try:
            self.flush()
        finally:
            self._give_up()

    def _give_up(self) -> None:
        self.waiting.clear()
        raw, self._raw = self._raw, None
        if raw is not None:
            raw.close()


class Recorder:
    """The captures of one flight. All calls come from the clock's thread, with flight time in microseconds.

    Every method but `digest_hex` raises FlightError when a file cannot be written, once for each time it finds
    out; recording goes on in the files that still can be.
    """

    def __init__(self, folder: Path, epoch_us: int, *, traffic_only: bool = False) -> None:
        """Opens the captures in the new `folder`. Raises FolderProblem when they cannot be made there.

        With `traffic_only` there are the taps and events, and no files for truth and script.
        """
        self.folder = folder
        self._epoch_us = epoch_us
        self._last_stamp_us = -1
        self._last_flush_us = 0
        self._stream, self._state, self._output = (_hasher() for _ in range(3))
        self._unhashed = bytearray()
        self._files: list[_File] = []
        try:
            self._taps = {
                "vehicle": self._open(folders.VEHICLE_TLOG),
                "script": self._open(folders.SCRIPT_TLOG),
                "station": self._open(folders.STATION_TLOG),
            }
            self._events = self._open(folders.EVENTS)
            self._truth = None if traffic_only else self._open(truth.FILE_NAME)
            if not traffic_only:
                self._open(folders.SCRIPT_LOG)
        except OSError as error:
            self._for_all(_File.close)
            raise FolderProblem(
                f"{error.filename} cannot be made ({error.strerror})",
                "Free the place, or name another folder",
            ) from error
        if self._truth is not None:
            self._truth.waiting.append(truth.header(0))

    def _open(self, name: str) -> _File:
        file = _File(self.folder / name)
        self._files.append(file)
        return file

    def frame(self, tap: Tap, now_us: int, frame: bytes) -> int:
        """Records a frame seen at `tap`; returns its stamp, Unix microseconds, later than every stamp before."""
        stamp_us = self._epoch_us + now_us
        if stamp_us <= self._last_stamp_us:
            stamp_us = self._last_stamp_us + 1
        self._last_stamp_us = stamp_us
        self._taps[tap].waiting.append(stamp_us.to_bytes(8, "big") + frame)
        self._unhashed += _FRAME_HEAD(_TAP_TAG[tap], stamp_us - self._epoch_us, len(frame)) + frame
        self._flush_if_due(now_us)
        return stamp_us

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records that something happened. `facts` are JSON values that are equal in equal flights."""
        line = _line(now_us, kind, facts)
        self._events.waiting.append(line)
        self._unhashed += line
        self._flush_if_due(now_us)

    def note(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records what may differ between equal flights (ports, process ids, wall times): not in the digest."""
        self._events.waiting.append(_line(now_us, kind, facts))

    def truth(self, rows: bytes) -> None:
        """Records whole rows of float64 in the order of TRUTH_COLUMNS."""
        if self._truth is None:
            raise HarnessFault("truth for a recorder of traffic alone")
        self._truth.waiting.append(rows)

    def script_output(self, chunk: bytes) -> None:
        """Takes what the script wrote into the digest; the script itself writes it to SCRIPT_LOG, as it happens."""
        self._output.update(chunk)

    def state(self, steps: bytes) -> None:
        """Takes the vehicle's unquantised state into the digest; it is not written anywhere."""
        self._state.update(steps)

    def flush(self) -> None:
        """Hands everything recorded so far to the system: it survives the death of this process."""
        self._hash_waiting()
        self._report(self._for_all(_File.flush))

    def _flush_if_due(self, now_us: int) -> None:
        if now_us - self._last_flush_us >= FLUSH_INTERVAL_US or len(self._unhashed) >= FLUSH_BYTES:
            self._last_flush_us = now_us
            self.flush()

    def _hash_waiting(self) -> None:
        self._stream.update(self._unhashed)
        self._unhashed.clear()

    def close(self) -> None:
        """Makes all captures durable and closes them; harmless when called twice."""
        problems = self._for_all(_File.flush)
        if self._truth is not None:
            rows = max(0, self._truth.bytes_written - truth.HEADER_BYTES) // truth.ROW_BYTES
            self._truth.head = truth.header(rows)
        problems += self._for_all(_File.write_out)  # all at once, so that the disk is waited for once
        problems += self._for_all(_File.make_durable)
        problems += self._for_all(_File.close)
        _make_names_durable(self.folder)
        self._report(problems)

    def digest_hex(self, exit_code: int | None) -> str:
        """The flight's digest so far, in hexadecimal: equal for equal flights and nothing else."""
        self._hash_waiting()
        whole = _hasher()
        for part in (self._stream, self._state, self._output):
            whole.update(part.digest())
        whole.update(str(exit_code).encode("ascii"))
        return whole.hexdigest()

    def _for_all(self, action: Callable[[_File], None]) -> list[OSError]:
        """Does `action` to every file, also after a failure."""
        problems = []
        for file in self._files:
            try:
                action(file)
            except OSError as error:
                error.filename = error.filename or file.path
                problems.append(error)
        return problems

    def _report(self, problems: list[OSError]) -> None:
        if problems:
            first = problems[0]
            raise FlightError(
                f"{first.filename} cannot be written any more ({first.strerror})",
                "Make room or mend the file system, then fly again; what was written so far is kept",
            ) from first


def _make_names_durable(folder: Path) -> None:
    """Makes the names of new files survive a power cut, where the file system can do that for a folder."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _hasher() -> hashlib.blake2b:
    return hashlib.blake2b(digest_size=_DIGEST_BYTES)


def _line(now_us: int, kind: str, facts: dict[str, Any]) -> bytes:
    text = json.dumps({"time_us": now_us, "kind": kind, **facts}, ensure_ascii=False, separators=(",", ":"))
    return text.encode("utf-8", "backslashreplace") + b"\n"

"""Every prefix of a file of a flight's folder, through the reader of that file alone.

A reader of a prefix gives exactly what was whole before the cut, or says that the file is not: nothing more, nothing
less, and nothing else. What the commands make of a cut folder is the affair of `cutting`.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np

from asflown.errors import FolderProblem
from asflown.grade.grade import FILE_NAME as GRADE
from asflown.grade.grade import read_grade
from asflown.record import decode, truth
from asflown.record import folder as folders
from asflown.record.manifest import FILE_NAME as MANIFEST

Look = Callable[[int], str]
"""Reads a file that is cut to so many bytes: what is wrong with what came of it, '' when nothing is."""


class CutReaders:
    """A copy of a flight's folder, whose files are cut and read. `source` is whole and its captures were closed."""

    def __init__(self, source: Path, copy: Path) -> None:
        shutil.copytree(source, copy)
        self._source, self._copy = source, copy
        self._manifest = folders.read_manifest(source)

    def looks(self, name: str, lengths: Iterable[int]) -> Iterator[tuple[int, str]]:
        """Cuts the file to each length, and reads: the length, and what is wrong ('' when nothing is).

        Quickest where lengths fall: then each cut is made in the file that was cut before. The file is whole again
        at the end.
        """
        look, file = self._reader(name), self._copy / name
        whole = (self._source / name).stat().st_size
        for length in lengths:
            if file.stat().st_size < length:
                shutil.copyfile(self._source / name, file)
            os.truncate(file, length)
            yield length, look(length) or self._missing(name, length, whole)
        shutil.copyfile(self._source / name, file)

    def _missing(self, name: str, length: int, whole: int) -> str:
        """Whether the sentence on what is missing is there, and right."""
        told = folders.cut_short(self._copy, self._manifest)
        due: tuple[str, ...] = ()
        if name in folders.CAPTURES and length < whole:
            due = (f"{self._copy / name} is cut short: {length} of {whole} bytes are there",)
        return "" if told == due else f"told {told}, and {due} would be right"

    def _reader(self, name: str) -> Look:
        if name.endswith(".tlog"):
            return self._tlog(self._copy / name)
        others: dict[str, Callable[[], Look]] = {
            truth.FILE_NAME: self._truth,
            folders.EVENTS: self._events,
            MANIFEST: lambda: self._document(MANIFEST, lambda: folders.read_manifest(self._copy)),
            GRADE: lambda: self._document(GRADE, lambda: read_grade(self._copy)),
            folders.SCRIPT_LOG: lambda: lambda _: "",  # text: whatever is there is shown as it is
        }
        return others[name]()

    def _tlog(self, file: Path) -> Look:
        index = decode.index(file)
        start, time_us = index.frame_start.copy(), index.time_us.copy()
        ends = start + index.frame_length
        del index  # it maps the file, which is about to be cut

        def look(length: int) -> str:
            whole = int(np.searchsorted(ends, length, side="right"))
            try:
                found = decode.index(file)
            except FolderProblem as problem:
                refused = whole == 0 and length > 0 and str(file) in str(problem)
                return "" if refused else f"refused with {whole} whole frames: {problem}"
            same = np.array_equal(found.frame_start, start[:whole])
            same &= np.array_equal(found.time_us, time_us[:whole])
            rest = length - (int(ends[whole - 1]) if whole else 0)
            counts = found.rubbish_bytes, found.damaged_frames, found.refused_frames
            if same and counts == (rest, 0, 0):
                return ""
            return f"{len(found)} frames and {counts}, where {whole} and {(rest, 0, 0)} are"

        return look

    def _truth(self) -> Look:
        size, all_rows = (self._copy / truth.FILE_NAME).stat().st_size, truth.read(self._copy)
        says_how_many = truth.header(len(all_rows)).index(b"shape': (") + len("shape': (")

        def look(length: int) -> str:
            """Its header says how many rows it has: what it cannot keep, it does not read."""
            whole = max(0, length - truth.HEADER_BYTES) // truth.ROW_BYTES
            try:
                rows = truth.read(self._copy)
            except FolderProblem as problem:
                due = "is cut short: " if length else "is not a flight's truth"
                named = length < size and f"{truth.FILE_NAME} {due}" in str(problem)
                return "" if named else f"refused at {length} bytes: {problem}"
            if length == size:
                return "" if np.array_equal(rows, all_rows) else f"{len(rows)} rows, where {whole} are"
            return (
                "" if 0 < length <= says_how_many and not len(rows) else f"read from {length} of {size} bytes"
            )

        return look

    def _events(self) -> Look:
        text = (self._copy / folders.EVENTS).read_bytes()
        every = list(folders.read_events(self._copy))

        def look(length: int) -> str:
            events, due = list(folders.read_events(self._copy)), every[: text[:length].count(b"\n")]
            return "" if events == due else f"{len(events)} events, where {len(due)} are"

        return look

    def _document(self, name: str, read: Callable[[], object]) -> Look:
        """A document is whole without its line end, and nothing at any other length."""
        whole, size = read(), (self._copy / name).stat().st_size

        def look(length: int) -> str:
            try:
                found = read()
            except FolderProblem as problem:
                named = length < size - 1 and name in str(problem)
                return "" if named else f"refused at {length} of {size} bytes: {problem}"
            return "" if length >= size - 1 and found == whole else f"read from {length} of {size} bytes"

        return look

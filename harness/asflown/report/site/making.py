"""Making pages: by several processes where there are many, and only those that are not up to date.

A page carries a mark of everything that it was made from. A page with the right mark is not made again.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TypeVar

import asflown

What = TypeVar("What")
Made = TypeVar("Made")

_MARK = '<meta name="made-from" content="'
_HEAD_BYTES = 8192
_CODE = ("asflown.report", "asflown.report.site", "asflown.change", "asflown.grade", "asflown.record")


def mark_of(parts: Iterable[object], places: Iterable[Path]) -> str:
    """A hash of what a page is made from: data, the flights' folders as they are now, and this version's code."""
    found = hashlib.sha256(_version().encode())
    for part in parts:
        found.update(repr(part).encode("utf-8", "backslashreplace"))
    for place in places:
        found.update(str(place).encode("utf-8", "surrogateescape"))
        for file in sorted(place.glob("*")) if place.is_dir() else [place]:
            found.update(_state(file).encode())
    return found.hexdigest()[:32]


def head_of(path: Path) -> str:
    """The beginning of a page that was made before; empty where there is none."""
    try:
        with path.open("rb") as page:
            return page.read(_HEAD_BYTES).decode("utf-8", "replace")
    except OSError:
        return ""


def is_made(head: str, mark: str) -> bool:
    """Whether a page that begins so has this mark."""
    return f'{_MARK}{mark}"' in head


def make(
    work: Callable[[What], Made], due: Sequence[What], workers: int | None, *, least: int, chunk: int
) -> list[Made]:
    """Does the work for each, in order; in processes (as many as cores, or `workers`) from `least` on."""
    number = workers or os.cpu_count() or 1
    if number == 1 or len(due) < least:
        return [work(one) for one in due]
    with ProcessPoolExecutor(number, multiprocessing.get_context("spawn")) as pool:
        return list(pool.map(work, due, chunksize=chunk))


@cache
def _version() -> str:
    """Of the code and the templates that make pages: an edited checkout makes them again."""
    folders = [Path(str(files(name))) for name in _CODE]
    folders.append(Path(str(files("asflown.report.site"))) / "templates")
    states = [_state(file) for folder in folders for file in sorted(folder.glob("*")) if file.is_file()]
    return " ".join([asflown.__version__, *states])


def _state(file: Path) -> str:
    try:
        found = file.stat()
    except OSError:
        return ""
    return f"{file.name!a} {found.st_size} {found.st_mtime_ns}"

"""Writes the pages of flights, by several processes where there are many; what is as it was is left alone.

A page carries a mark of everything that it was made from. A page with the right mark is not made again.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import asflown
from asflown.grade.tolerances import MeasureTolerance
from asflown.report import atomic
from asflown.report.flown import Flown
from asflown.report.site.page import environment, flight_page
from asflown.report.site.story import story_of
from asflown.scenario.model import Scenario

MARK = '<meta name="made-from" content="'
_MARK_WITHIN_BYTES = 4096
_LEAST_FOR_PROCESSES = 60
_CHUNK = 8


@dataclass(frozen=True, slots=True)
class Order:
    """One page to be written."""

    flown: Flown
    scenario: Scenario | None
    tolerances: tuple[MeasureTolerance, ...]
    links: dict[str, str]
    path: Path


def write_flight_pages(orders: Sequence[Order], workers: int | None = None) -> int:
    """Writes the pages that are not there or not up to date, and returns how many. Raises FolderProblem."""
    due = [(order, mark) for order in orders if not _is_made(order.path, mark := mark_of(order))]
    workers = workers or os.cpu_count() or 1
    if workers == 1 or len(due) < _LEAST_FOR_PROCESSES:
        for one in due:
            _write(one)
    else:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, context) as pool:
            for _ in pool.map(_write, due, chunksize=_CHUNK):
                pass
    return len(due)


def mark_of(order: Order) -> str:
    """A hash of what a flight's page is made from: flight, grade, scenario, neighbours, this version's templates."""
    flown, found = order.flown, hashlib.sha256(_version().encode())
    for part in (flown.manifest, flown.grade, order.scenario, order.tolerances, sorted(order.links.items())):
        found.update(repr(part).encode("utf-8", "backslashreplace"))
    found.update(str(flown.folder).encode("utf-8", "surrogateescape"))
    for file in sorted(flown.folder.glob("*")) if flown.folder.is_dir() else [flown.folder]:
        try:
            state = file.stat()
        except OSError:
            continue
        found.update(f"{file.name!a} {state.st_size} {state.st_mtime_ns}".encode())
    return found.hexdigest()[:32]


@cache
def _version() -> str:
    """Of the code and the templates that make pages: an edited checkout makes them again."""
    parts = [asflown.__version__]
    for folder in ("asflown.report", "asflown.report.site"):
        parts += [_states(Path(str(files(folder))))]
    parts.append(_states(Path(str(files("asflown.report.site"))) / "templates"))
    return " ".join(parts)


def _states(folder: Path) -> str:
    here = sorted(file for file in folder.glob("*") if file.is_file())
    return " ".join(f"{file.name} {file.stat().st_size} {file.stat().st_mtime_ns}" for file in here)


def _is_made(path: Path, mark: str) -> bool:
    try:
        with path.open("rb") as page:
            return f'{MARK}{mark}"'.encode() in page.read(_MARK_WITHIN_BYTES)
    except OSError:
        return False


def _write(due: tuple[Order, str]) -> None:
    order, mark = due
    story = story_of(order.flown, order.scenario)
    text = flight_page(_environment(), story, order.links, order.tolerances, mark)
    atomic.write_text(order.path, text, durable=False)


_environment = cache(environment)

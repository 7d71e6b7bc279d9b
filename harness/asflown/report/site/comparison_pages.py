"""Compares what belongs side by side and writes a page of each comparison; what is as it was is neither done again.

What the overview says of a comparison stands at the head of its page, from where it is read the next time.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from asflown.change.compare import compare
from asflown.change.sets import FlightSet
from asflown.errors import AsflownError
from asflown.report import atomic
from asflown.report.site import making
from asflown.report.site.comparing import Compared
from asflown.report.site.comparison_page import Line, comparison_page, line_of, page_name_of
from asflown.report.site.overview import unique
from asflown.report.site.page import environment

_LEAST_FOR_PROCESSES, _CHUNK = 4, 1
_LINE = re.compile(r'<script type="application/json" id="line">(.*?)</script>', re.DOTALL)


@dataclass(frozen=True, slots=True)
class Refused:
    """Two sets that could not be compared, and why."""

    names: tuple[str, str]
    why: str


@dataclass(frozen=True, slots=True)
class _Due:
    """Two sets, and the page that shall show both."""

    a: FlightSet
    b: FlightSet
    path: Path
    pages: Mapping[Path, str]
    mark: str


def write_pairs(
    pairs: Sequence[tuple[FlightSet, FlightSet]], folder: Path, pages: Mapping[Path, str], workers: int | None
) -> tuple[list[Line], list[Refused]]:
    """Compares each pair and writes its page into `folder`; what the overview says of them. Raises FolderProblem."""
    taken: dict[str, int] = {}
    orders, lines = [], []
    for a, b in pairs:
        path = folder / unique(page_name_of(a, b), taken)
        mark = _mark(a, b, pages)
        head = making.head_of(path)
        said = _LINE.search(head) if making.is_made(head, mark) else None
        if said is None:
            orders.append(_Due(a, b, path, _of(pages, a, b), mark))
        else:
            lines.append(Line(**json.loads(said[1])))
    done = making.make(_compare, orders, workers, least=_LEAST_FOR_PROCESSES, chunk=_CHUNK)
    lines += [one for one in done if isinstance(one, Line)]
    return lines, [one for one in done if isinstance(one, Refused)]


def write_compared(compared: Sequence[Compared], folder: Path, pages: Mapping[Path, str]) -> list[Line]:
    """Writes the pages of comparisons that were made already. Raises FolderProblem."""
    taken: dict[str, int] = {}
    return [
        _write(one, folder / unique(page_name_of(one.a, one.b), taken), _of(pages, one.a, one.b), "")
        for one in compared
    ]


def _compare(due: _Due) -> Line | Refused:
    try:
        compared = Compared(compare(due.a, due.b), due.a, due.b)
        return _write(compared, due.path, due.pages, due.mark)
    except AsflownError as error:
        return Refused((due.a.name, due.b.name), str(error))


def _write(compared: Compared, path: Path, pages: Mapping[Path, str], mark: str) -> Line:
    line = line_of(compared, path.name)
    atomic.write_text(path, comparison_page(_environment(), compared, pages, line, mark), durable=False)
    return line


def _of(pages: Mapping[Path, str], a: FlightSet, b: FlightSet) -> dict[Path, str]:
    """The pages of these flights alone: what goes to another process is small."""
    folders = [flight.folder.resolve() for side in (a, b) for flight in side]
    return {folder: pages[folder] for folder in folders if folder in pages}


def _mark(a: FlightSet, b: FlightSet, pages: Mapping[Path, str]) -> str:
    parts = (a.name, b.name, a.notes, b.notes, sorted(_of(pages, a, b).items()))
    flights = [flight for side in (a, b) for flight in side]
    scenarios = {Path(flight.manifest.scenario_file) for flight in flights}
    return making.mark_of(parts, [*(flight.folder for flight in flights), *sorted(scenarios)])


_environment = cache(environment)

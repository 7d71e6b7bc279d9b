"""Drives a search: flies what it asks for, and keeps every result, so that it goes on where it was interrupted.

The file of results is replaced in one step after each flight. A search that is resumed is sent what was flown before;
it must ask for the same flights, or it is not the same search.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Generator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter

from asflown import files
from asflown.change.bisect_questions import Ask
from asflown.errors import FolderProblem, UsageError

SCHEMA_VERSION = 1

Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class FlownAsk:
    """What became of a flight that was asked for."""

    candidate: str
    seed: int
    bad: bool
    folder: str


_FLOWN = TypeAdapter(list[FlownAsk])

Fly = Callable[[Ask], tuple[bool, str]]
"""Flies one flight: whether it was bad, and its folder. Raises FlightError where it cannot be carried out."""


class Results:
    """The results of one search, in its file."""

    def __init__(self, file: Path, search: Mapping[str, Any]) -> None:
        """Reads what is there. `search` says what is searched, in plain data: it must be what it was.

        Raises UsageError for the results of another search, FolderProblem for a file that cannot be read.
        """
        self.file = file
        self._search = json.loads(json.dumps(dict(search)))
        self.flown: list[FlownAsk] = []
        if file.exists():
            self._read()

    def _read(self) -> None:
        try:
            found = files.from_json(files.read_plain(self.file))
            flown = _FLOWN.validate_python(found["flown"])
            version, search = found["schema_version"], found["search"].copy()
            differ = sorted(
                key for key in {*search, *self._search} if search.get(key) != self._search.get(key)
            )
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise FolderProblem(f"{self.file} holds no results of a search", "Name another file") from error
        if version != SCHEMA_VERSION or differ:
            raise UsageError(
                f"{self.file} holds the results of another search ({', '.join(differ) or 'another version'})",
                "Delete it to begin anew, or name another file with --state",
            )
        self.flown = flown

    def enter(self, one: FlownAsk) -> None:
        """Keeps one more result, durably. Raises FolderProblem."""
        self.flown.append(one)
        content = {
            "schema_version": SCHEMA_VERSION,
            "search": self._search,
            "flown": [asdict(flight) for flight in self.flown],
        }
        part = self.file.with_name(f".{self.file.name}.{os.getpid()}.part")
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            with part.open("w", encoding="utf-8") as out:
                out.write(json.dumps(content, indent=1) + "\n")
                out.flush()
                os.fsync(out.fileno())
            part.replace(self.file)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise FolderProblem(
                f"{self.file} cannot be written ({error.strerror})", "Free the place"
            ) from error


def drive(
    search: Generator[Ask, bool, Answer],
    results: Results,
    fly: Fly,
    tell: Callable[[Ask, FlownAsk, bool], None],
) -> Answer:
    """Runs a search to its end; `tell` hears of each flight, and whether it was known before.

    Raises what `fly` raises, after which the same call goes on with the flight that could not be carried out.
    """
    known = iter(list(results.flown))
    try:
        ask = next(search)
        while True:
            before = next(known, None)
            one = _flown_before(ask, before, results.file) if before is not None else _fly(ask, fly, results)
            tell(ask, one, before is not None)
            ask = search.send(one.bad)
    except StopIteration as end:
        answer: Answer = end.value
        return answer


def _flown_before(ask: Ask, before: FlownAsk, file: Path) -> FlownAsk:
    if (ask.candidate, ask.seed) != (before.candidate, before.seed):
        raise UsageError(
            f"{file} has a flight of {before.candidate}, seed {before.seed}, where {ask.candidate}, "
            f"seed {ask.seed}, is asked for",
            "It was changed, or made by another version: delete it to begin anew",
        )
    return before


def _fly(ask: Ask, fly: Fly, results: Results) -> FlownAsk:
    bad, folder = fly(ask)
    one = FlownAsk(ask.candidate, ask.seed, bad, folder)
    results.enter(one)
    return one

"""Flight folders: how a new one is named and made, and how one is read.

A folder is never used twice. Making it is what reserves its name, so flights that run side by side never share
one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pydantic

from asflown import files
from asflown.errors import FolderProblem
from asflown.record import manifest, truth
from asflown.record.manifest import Manifest

FLIGHTS = Path(".asflown") / "flights"
"""Where flights go, below the folder that the command runs in, unless told otherwise."""

VEHICLE_TLOG, SCRIPT_TLOG, STATION_TLOG = "vehicle.tlog", "script.tlog", "station.tlog"
EVENTS, SCRIPT_LOG = "events.jsonl", "script.log"
CAPTURES = (VEHICLE_TLOG, SCRIPT_TLOG, STATION_TLOG, EVENTS, SCRIPT_LOG, truth.FILE_NAME)
"""All that is recorded beside the manifest."""

_MOST_AT_ONE_TIME = 10_000
EVENTS_BYTES_MAX = 512_000_000
_LONGEST_FAULT = 300


def create(flights: Path, time: str, scenario: str, vehicle: str) -> Path:
    """Makes and returns `flights/<time>-<scenario>-<vehicle>-<id>/`; the id counts flights of equal name.

    Raises FolderProblem when nothing can be written there.
    """
    stem = "-".join(_plain(part) for part in (time, scenario, vehicle))
    try:
        flights.mkdir(parents=True, exist_ok=True)
        for number in range(1, _MOST_AT_ONE_TIME):
            folder = flights / f"{stem}-{number}"
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            return folder
    except OSError as error:
        raise FolderProblem(
            f"{error.filename or flights} cannot be written ({error.strerror})",
            "Free the place, or name another folder for the flights",
        ) from error
    raise FolderProblem(f"{flights} is full of flights named {stem}", "Remove some of them")


def _plain(part: str) -> str:
    """`part` reduced to what every file system takes as part of a name."""
    return re.sub(r"[^A-Za-z0-9]+", "-", part).strip("-") or "unnamed"


def read_manifest(folder: Path) -> Manifest:
    """The manifest of the flight in `folder`. Raises FolderProblem when `folder` is not a flight's folder."""
    path = folder / manifest.FILE_NAME
    try:
        return manifest.read(folder)
    except (OSError, ValueError) as error:
        raise FolderProblem(
            f"{folder} is not a flight's folder ({_fault(path, error)})",
            f"Name a folder below {FLIGHTS}, as `asflown fly` prints it",
        ) from error


def _fault(path: Path, error: Exception) -> str:
    if isinstance(error, OSError):
        return f"{path.name}: {error.strerror}"
    if isinstance(error, pydantic.ValidationError):
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        said = f"{place}: {first['msg']}" if place else first["msg"]
        return f"{path.name}: {said[:_LONGEST_FAULT]}"
    return f"{path.name} is not UTF-8"


def sizes(folder: Path) -> dict[str, int]:
    """Bytes of each capture that is there, for the manifest."""
    return {name: size for name in CAPTURES if (size := _size(folder / name)) is not None}


def cut_short(folder: Path, of: Manifest) -> tuple[str, ...]:
    """What is missing of the captures, by what their manifest says of them: a sentence for each file.

    Files that have become longer are nobody's loss. Of a flight whose captures were never closed nothing is known.
    """
    found = []
    for name in CAPTURES:  # and nothing else that a manifest from elsewhere may name
        whole = of.captures.get(name, 0)
        size = _size(folder / name)
        if size is None and name in of.captures:
            found.append(f"{folder / name} is missing")
        elif size is not None and size < whole:
            found.append(f"{folder / name} is cut short: {size} of {whole} bytes are there")
    return tuple(found)


def _size(file: Path) -> int | None:
    try:
        return file.stat().st_size
    except OSError:
        return None


def read_events(folder: Path) -> Iterator[dict[str, Any]]:
    """The flight's events in order, each with `time_us` and `kind`.

    A line that is none, as a kill or a power cut leaves it, is left out. Raises FolderProblem when there is
    no such file.
    """
    path = folder / EVENTS
    try:
        lines = files.read_plain(path, EVENTS_BYTES_MAX, follow=False).split(b"\n")[:-1]
    except OSError as error:
        raise FolderProblem(
            f"{path} cannot be read ({error.strerror})", "Use a folder written by `asflown fly`"
        ) from error
    for line in lines:
        event = _event(line)
        if event is not None:
            yield event


def _event(line: bytes) -> dict[str, Any] | None:
    """A power cut may leave anything at the end of a file: what is no event is left out."""
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        return None
    whole = isinstance(found, dict) and isinstance(found.get("time_us"), int) and "kind" in found
    return found if whole else None

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

from asflown.errors import FolderProblem
from asflown.record import manifest
from asflown.record.manifest import Manifest

FLIGHTS = Path(".asflown") / "flights"
"""Where flights go, below the folder that the command runs in, unless told otherwise."""

VEHICLE_TLOG, SCRIPT_TLOG, STATION_TLOG = "vehicle.tlog", "script.tlog", "station.tlog"
EVENTS, SCRIPT_LOG = "events.jsonl", "script.log"

_MOST_AT_ONE_TIME = 10_000


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
        return f"{path.name}: {place}: {first['msg']}" if place else f"{path.name}: {first['msg']}"
    return f"{path.name} is not UTF-8"


def read_events(folder: Path) -> Iterator[dict[str, Any]]:
    """The flight's events in order, each with `time_us` and `kind`; a line cut short by a kill is left out.

    Raises FolderProblem when there are none to read.
    """
    path = folder / EVENTS
    try:
        lines = path.read_bytes().split(b"\n")[:-1]
    except OSError as error:
        raise FolderProblem(
            f"{path} cannot be read ({error.strerror})", "Use a folder written by `asflown fly`"
        ) from error
    for line in lines:
        yield json.loads(line)

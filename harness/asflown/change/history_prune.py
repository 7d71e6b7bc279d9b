"""Which flights may go: retention by number, age and size, that never touches what a baseline refers to.

Planning and removing are two steps, so that a person sees the plan first. A folder is first renamed to a hidden name,
then deleted: whoever is killed in between leaves no half flight, and the rest goes the next time.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from asflown.change.history_store import History
from asflown.errors import FolderProblem
from asflown.record import manifest as manifests

DOOMED = ".removed-"
"""What the name of a folder that is being deleted begins with."""


@dataclass(frozen=True, slots=True)
class Retention:
    """What is kept; None sets no bound. A flight goes when any bound says so."""

    number: int | None = None
    """The newest so many flights of each kind."""
    age: timedelta | None = None
    bytes: int | None = None
    """Of all flights together; the oldest go first."""


@dataclass(frozen=True, slots=True)
class StoredFlight:
    """What retention needs to know of a flight."""

    folder: str
    started_utc: datetime
    kind: tuple[str, str, str, str]
    """Scenario, vehicle, release, clock."""
    seed: int
    script_sha256: str
    expectations_sha256: str
    parameters_sha256: str
    scenario_file: str
    outcome: str
    bytes: int


@dataclass(frozen=True, slots=True)
class Removal:
    """One flight that may go, and why."""

    flight: StoredFlight
    why: str


@dataclass(frozen=True, slots=True)
class PrunePlan:
    """What would be removed, and what stays although a bound says otherwise."""

    remove: tuple[Removal, ...]
    protected: tuple[Removal, ...]
    """Would go, but a baseline refers to them."""
    kept: int
    bytes_freed: int
    bytes_left: int


def stored_flights(history: History) -> tuple[StoredFlight, ...]:
    """All flights of the index, the newest first."""
    rows = history.connection.execute(
        """SELECT folder, started_utc, scenario, vehicle, release, clock, seed, script_sha256,
                  expectations_sha256, parameters_sha256, scenario_file, outcome, bytes
           FROM flight ORDER BY started_utc DESC, folder DESC"""
    )
    return tuple(
        StoredFlight(folder, datetime.fromisoformat(started), tuple(row[:4]), int(row[4]), *row[5:])
        for folder, started, *row in rows
    )


def plan_prune(
    flights: Iterable[StoredFlight],
    retention: Retention,
    is_protected: Callable[[StoredFlight], bool],
    now_utc: datetime,
) -> PrunePlan:
    """What goes by `retention`, flights given the newest first. Flights being flown just now stay."""
    flights = tuple(flights)
    doomed = {one.folder: why for one, why in _over_bounds(flights, retention, now_utc)}
    protected = {one.folder for one in flights if one.folder in doomed and is_protected(one)}
    left = sum(one.bytes for one in flights if one.folder not in doomed or one.folder in protected)
    if retention.bytes is not None:
        for one in reversed(flights):
            if left <= retention.bytes:
                break
            if one.folder in doomed or _may_be_flying(one, now_utc):
                continue
            doomed[one.folder] = "more than the size allowed"
            if is_protected(one):
                protected.add(one.folder)
            else:
                left -= one.bytes
    found = [Removal(one, doomed[one.folder]) for one in reversed(flights) if one.folder in doomed]
    go = tuple(one for one in found if one.flight.folder not in protected)
    stay = tuple(one for one in found if one.flight.folder in protected)
    freed = sum(one.flight.bytes for one in go)
    return PrunePlan(go, stay, len(flights) - len(go), freed, left)


_LONGEST_FLIGHT = timedelta(hours=2)


def _may_be_flying(one: StoredFlight, now_utc: datetime) -> bool:
    return one.outcome == "interrupted" and now_utc - one.started_utc < _LONGEST_FLIGHT


def _over_bounds(
    flights: Iterable[StoredFlight], retention: Retention, now_utc: datetime
) -> Iterator[tuple[StoredFlight, str]]:
    of_kind: Counter[tuple[str, ...]] = Counter()
    for one in flights:
        if _may_be_flying(one, now_utc):
            continue
        of_kind[one.kind] += 1
        if retention.number is not None and of_kind[one.kind] > retention.number:
            yield one, f"{retention.number} of its kind are newer"
        elif retention.age is not None and now_utc - one.started_utc > retention.age:
            yield one, f"older than {_days(retention.age)}"


def _days(age: timedelta) -> str:
    days = age / timedelta(days=1)
    return f"{days:g} day{'' if days == 1 else 's'}"


def remove(history: History, plan: PrunePlan) -> int:
    """Removes what the plan says, the oldest first; returns how many folders went.

    Raises FolderProblem when one cannot be removed; what went until then is out of the index.
    """
    finish_removals(history.store)
    for number, removal in enumerate(plan.remove):
        folder = history.store / removal.flight.folder
        try:
            doomed = folder.rename(folder.with_name(DOOMED + folder.name))
            history.forget([folder.name])
            (doomed / manifests.FILE_NAME).unlink()  # no flight any more, whoever looks
            shutil.rmtree(doomed)
        except FileNotFoundError:
            history.forget([folder.name])  # somebody else was quicker
        except OSError as error:
            raise FolderProblem(
                f"{folder} cannot be removed ({error.strerror}); {number} were", "Make it writable"
            ) from error
    return len(plan.remove)


def finish_removals(store: Path) -> None:
    """Deletes what an interrupted removal has left."""
    for entry in store.iterdir():
        if entry.name.startswith(DOOMED):
            with suppress(OSError):
                shutil.rmtree(entry)

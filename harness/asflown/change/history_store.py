"""The history's index: one SQLite file beside the flights' folders, which stay the truth.

Everything in the index is read from the folders, so it may be deleted at any time. Each flight enters in one
transaction: whoever is killed in the middle of it leaves the flight out, never half of it, and `catch_up` finds it
again. Several processes may write while others read (write-ahead log). Times are UTC in ISO 8601, values SI.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from asflown import files
from asflown.errors import FolderProblem
from asflown.grade.grade import FILE_NAME as GRADE_FILE
from asflown.record import folder as folders
from asflown.record import manifest as manifests

FILE_NAME = ".history.sqlite"
SCHEMA_VERSION = 1
BUSY_TIME_OUT_MS = 60_000
"""How long a writer waits for others; a transaction takes about a millisecond."""

_TABLES = """
CREATE TABLE flight (
    id INTEGER PRIMARY KEY,
    folder TEXT NOT NULL UNIQUE,        -- its name below the flights
    stamp TEXT NOT NULL,                -- of manifest and grade, to see what changed
    bytes INTEGER NOT NULL,
    started_utc TEXT NOT NULL,
    scenario TEXT NOT NULL, vehicle TEXT NOT NULL, release TEXT NOT NULL, clock TEXT NOT NULL,
    seed TEXT NOT NULL,                 -- whole numbers of up to 63 bits, as text
    outcome TEXT NOT NULL, verdict TEXT NOT NULL, reason TEXT NOT NULL,
    digest TEXT, fingerprint TEXT,
    scenario_file TEXT NOT NULL, scenario_sha256 TEXT NOT NULL, script_sha256 TEXT NOT NULL,
    expectations_sha256 TEXT NOT NULL, parameters_sha256 TEXT NOT NULL, conditions_sha256 TEXT NOT NULL,
    versions_sha256 TEXT NOT NULL, revision TEXT NOT NULL
);
CREATE INDEX flight_by_kind ON flight (scenario, vehicle, release, clock, started_utc);
CREATE INDEX flight_by_time ON flight (started_utc);
CREATE TABLE measure (
    flight INTEGER NOT NULL REFERENCES flight (id) ON DELETE CASCADE,
    name TEXT NOT NULL, source TEXT NOT NULL, unit TEXT NOT NULL, value REAL, margin REAL,
    PRIMARY KEY (flight, name, source)
) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class CaughtUp:
    """What catching up found in the folders."""

    entered: int
    """Flights that were not in the index, or had changed."""
    removed: int
    """Flights whose folder is gone."""
    unreadable: tuple[str, ...]
    """Folders with a manifest that cannot be read, by name."""


class History:
    """The index of the flights below one folder. Use it as a context manager, or close it."""

    def __init__(self, store: Path = folders.FLIGHTS) -> None:
        """Opens the index in `store`, making it if need be. Raises FolderProblem when it cannot be had."""
        self.store = store
        self.file = store / FILE_NAME
        try:
            store.mkdir(parents=True, exist_ok=True)
            files.check_no_link(self.file)
            self.connection = sqlite3.connect(
                self.file, timeout=BUSY_TIME_OUT_MS / 1000, isolation_level=None
            )
            self._set_up_or_close()
        except (OSError, sqlite3.Error, UnicodeDecodeError) as error:
            raise self._unusable(error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        broken = isinstance(error, sqlite3.Error) or (
            isinstance(error, TypeError | ValueError | KeyError) and not self._is_sound()
        )
        self.close()
        if error is not None and broken:
            raise self._unusable(error) from error

    def close(self) -> None:
        """Gives the file back."""
        self.connection.close()

    def _unusable(self, error: BaseException) -> FolderProblem:
        remedy = (
            "Another asflown has it in use; try again when that has ended"
            if _in_use(error)
            else "Delete it: it is made again from the flights' folders"
        )
        return FolderProblem(f"{self.file} cannot be used ({error})", remedy)

    def _is_sound(self) -> bool:
        """Whether the index is one that we wrote; looked at when something went wrong that it may have caused."""
        try:
            found: tuple[object, ...] = self.connection.execute("PRAGMA integrity_check(1)").fetchone()
        except (sqlite3.Error, UnicodeDecodeError):
            return False
        return found == ("ok",)

    def _set_up_or_close(self) -> None:
        """A refused index that stayed open would lock out whoever makes it again."""
        try:
            self._set_up()
        except BaseException:
            self.close()
            raise

    def _set_up(self) -> None:
        self.connection.text_factory = _text
        for line in (
            "trusted_schema = OFF",
            "journal_mode = WAL",
            "synchronous = NORMAL",
            "foreign_keys = ON",
        ):
            self.connection.execute(f"PRAGMA {line}")
        if self._version() == SCHEMA_VERSION:
            self._check_schema()
            return
        with self.transaction():
            if self._version() != SCHEMA_VERSION:  # nobody made it while we waited
                self.connection.execute("DROP TABLE IF EXISTS measure")
                self.connection.execute("DROP TABLE IF EXISTS flight")
                for statement in _TABLES.split(";"):
                    self.connection.execute(statement)
                self.connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    def _check_schema(self) -> None:
        """An index from elsewhere may hold triggers and views of its own. Raises sqlite3.DatabaseError."""
        found = self.connection.execute("SELECT sql FROM sqlite_master WHERE sql NOT NULL")
        wanted = {statement.strip() for statement in _TABLES.split(";") if statement.strip()}
        if {text for (text,) in found} != wanted:
            raise sqlite3.DatabaseError("its tables are not those of an index of flights")

    def _version(self) -> int:
        return int(self.connection.execute("PRAGMA user_version").fetchone()[0])

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All that happens inside is kept, or nothing. One writer at a time; the others wait."""
        self.connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self.connection.execute("ROLLBACK")
            raise
        self.connection.execute("COMMIT")

    def enter(self, folder: Path) -> None:
        """Enters the flight in `folder` (directly below the store), in place of what was known of it.

        Raises FolderProblem when it is not a flight's folder, or the index cannot be written.
        """
        row, measures = _read(folder)
        try:
            with self.transaction():
                self._replace(row, measures)
        except sqlite3.Error as error:
            raise FolderProblem(f"{self.file} cannot be written ({error})", "Free the place") from error
        except UnicodeEncodeError as error:  # JSON can spell halves of characters, which no index can hold
            raise _no_grade(folder) from error

    def _replace(self, row: dict[str, Any], measures: list[tuple[Any, ...]]) -> None:
        self.connection.execute("DELETE FROM flight WHERE folder = ?", (row["folder"],))
        columns, marks = ", ".join(row), ", ".join("?" * len(row))
        made = self.connection.execute(
            f"INSERT INTO flight ({columns}) VALUES ({marks})",  # noqa: S608  columns are ours, see _read
            tuple(row.values()),
        )
        self.connection.executemany(
            "INSERT OR REPLACE INTO measure VALUES (?, ?, ?, ?, ?, ?)",
            [(made.lastrowid, *measure) for measure in measures],
        )

    def forget(self, names: Iterable[str]) -> None:
        """Takes flights out of the index by their folders' names."""
        with self.transaction():
            self.connection.executemany("DELETE FROM flight WHERE folder = ?", [(name,) for name in names])

    def catch_up(self, *, anew: bool = False) -> CaughtUp:
        """Makes the index equal to what is in the folders; with `anew` it believes nothing it knows."""
        known = {} if anew else dict(self.connection.execute("SELECT folder, stamp FROM flight"))
        present = {entry.name: entry for entry in _flight_folders(self.store)}
        unreadable, entered = [], 0
        for name in sorted(present):
            if known.get(name) == _stamp(present[name]):
                continue
            try:
                self.enter(present[name])
                entered += 1
            except FolderProblem:
                unreadable.append(name)
        gone = [name for (name,) in self.connection.execute("SELECT folder FROM flight")]
        gone = [name for name in gone if name not in present and not (self.store / name).exists()]
        self.forget(gone)
        return CaughtUp(entered, len(gone), tuple(unreadable))


def _in_use(error: BaseException) -> bool:
    """Whether somebody else held the index for all of BUSY_TIME_OUT_MS."""
    code: int = getattr(error, "sqlite_errorcode", 0)
    return code & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def delete_index(store: Path) -> None:
    """Deletes the index of a store that cannot be used any more; the flights stay. Nobody else may have it open."""
    for suffix in ("", "-wal", "-shm"):
        (store / f"{FILE_NAME}{suffix}").unlink(missing_ok=True)


def _flight_folders(store: Path) -> Iterator[Path]:
    for entry in store.iterdir():
        if not entry.name.startswith(".") and (entry / manifests.FILE_NAME).is_file():
            yield entry


def _stamp(folder: Path) -> str:
    """What tells that manifest or grade were written again."""
    return " ".join(_stamp_of(folder / name) for name in (manifests.FILE_NAME, GRADE_FILE))


def _stamp_of(file: Path) -> str:
    try:
        found = file.stat()
    except OSError:
        return "-"
    return f"{found.st_mtime_ns}.{found.st_size}.{found.st_ino}"


def _read(folder: Path) -> tuple[dict[str, Any], list[tuple[Any, ...]]]:
    """The rows of a flight, as its folder has them now. Raises FolderProblem."""
    stamp = _stamp(folder)  # before reading: what changes meanwhile is read again the next time
    one = folders.read_manifest(folder)
    grade = _grade(folder)
    not_flown = one.outcome in {"error", "interrupted"}
    row = {
        "folder": folder.name,
        "stamp": stamp,
        "bytes": sum(file.stat().st_size for file in folder.iterdir() if file.is_file()),
        "started_utc": one.started_utc,
        "scenario": one.scenario,
        "vehicle": one.vehicle.name,
        "release": one.vehicle.release or "",
        "clock": one.clock.kind,
        "seed": str(one.seed),
        "outcome": one.outcome,
        "verdict": "error" if not_flown else grade.get("verdict", "ungraded"),
        "reason": one.problem if not_flown else grade.get("reason", ""),
        "digest": one.clock.digest,
        "fingerprint": one.clock.fingerprint,
        "scenario_file": one.scenario_file,
        "scenario_sha256": one.scenario_sha256,
        "script_sha256": one.script_sha256,
        "expectations_sha256": one.expectations_sha256,
        "parameters_sha256": one.vehicle.parameters_sha256 or "",
        "conditions_sha256": _sha256([one.conditions, one.start]),
        "versions_sha256": _sha256(one.versions),
        "revision": one.git.get("commit", ""),
    }
    return row, [] if not_flown else _measures(folder, grade)


def _sha256(values: object) -> str:
    return hashlib.sha256(json.dumps(values, sort_keys=True, default=str).encode()).hexdigest()


def _grade(folder: Path) -> dict[str, Any]:
    """The grade as plain JSON: ten thousand of them are read when the index is made anew."""
    try:
        found = files.from_json(files.read_plain(folder / GRADE_FILE, follow=False))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        raise _no_grade(folder) from error
    if not (
        isinstance(found, dict) and all(isinstance(found.get(key), str) for key in ("verdict", "reason"))
    ):
        raise _no_grade(folder)
    return found


def _no_grade(folder: Path) -> FolderProblem:
    return FolderProblem(f"{folder / GRADE_FILE} is not a grade", f"Grade it again: `asflown grade {folder}`")


def _measures(folder: Path, grade: dict[str, Any]) -> list[tuple[Any, ...]]:
    try:
        rows = [
            (
                *(str(one[key]) for key in ("name", "source", "unit")),
                *map(_number, (one["value"], one["margin"])),
            )
            for one in grade.get("measures", [])
        ]
        rules = [
            (f"rule: {one['name']}", str(one["source"]), "", *[_number(one["robustness"])] * 2)
            for one in grade.get("rules", [])
        ]
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise _no_grade(folder) from error
    return rows + rules


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _text(stored: bytes) -> str:
    """Text of the index as it is; bytes that are no UTF-8 are made visible."""
    return stored.decode("utf-8", "backslashreplace")

"""What the history is asked: which flights there are, how a measure went, which scenarios are flaky.

Reads the index and nothing else. Flights that were not carried out are in no statistic; equal seeds in lockstep with
equal inputs are copies and count once there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from asflown.change.history_store import History
from asflown.change.sets import Kind
from asflown.errors import UsageError
from asflown.grade.statistics import share_at_least, share_at_most

CONFIDENCE = 0.95
_KIND = "scenario, vehicle, release, clock"
_INPUTS = f"{_KIND}, script_sha256, expectations_sha256, parameters_sha256, conditions_sha256"


@dataclass(frozen=True, slots=True)
class KindSummary:
    """All flights of one kind in the history."""

    kind: Kind
    flights: int
    passed: int
    failed: int
    undecided: int
    errors: int
    """Not carried out, or without a grade."""
    first_utc: str
    last_utc: str
    last_verdict: str
    bytes: int


@dataclass(frozen=True, slots=True)
class Point:
    """One measure of one flight."""

    folder: str
    started_utc: str
    seed: int
    value: float
    margin: float | None
    inputs: tuple[str, ...]
    """Hashes of script, expectations, parameters and conditions: where they change, the flight was another one."""


@dataclass(frozen=True, slots=True)
class MeasureName:
    """A measure that the history knows of, as the grade names it."""

    name: str
    source: str
    unit: str


@dataclass(frozen=True, slots=True)
class Flaky:
    """A scenario that passes and fails with everything equal but the seed (or, paced, with everything equal)."""

    kind: Kind
    flights: int
    failed: int
    rate: float
    """Share of flights that fail."""
    rate_low: float
    rate_high: float
    """Clopper–Pearson interval of the rate, 95 %, both ends."""
    failing_seeds: tuple[int, ...]
    last_utc: str
    not_repeatable: bool
    """Equal seeds in lockstep gave unequal bytes on machines that compute alike: a fault, not chance."""


def kinds(history: History) -> tuple[KindSummary, ...]:
    """A summary for each kind, sorted by kind."""
    rows = history.connection.execute(
        f"""SELECT {_KIND}, count(*), sum(verdict = 'pass'), sum(verdict = 'fail'),
               sum(verdict = 'inconclusive'), min(started_utc), max(started_utc), sum(bytes)
            FROM flight GROUP BY {_KIND} ORDER BY {_KIND}"""  # noqa: S608  column names of this module
    ).fetchall()
    return tuple(_summary(history, row) for row in rows)


def _summary(history: History, row: Sequence[object]) -> KindSummary:
    kind = _kind(row[:4])
    flights, passed, failed, undecided = (int(str(number)) for number in row[4:8])
    last = history.connection.execute(
        f"SELECT verdict FROM flight WHERE ({_KIND}) = (?, ?, ?, ?) "  # noqa: S608
        "ORDER BY started_utc DESC, folder DESC LIMIT 1",
        _key(kind),
    ).fetchone()[0]
    others = flights - passed - failed - undecided
    first_utc, last_utc, size = str(row[8]), str(row[9]), int(str(row[10]))
    return KindSummary(kind, flights, passed, failed, undecided, others, first_utc, last_utc, last, size)


def kinds_named(history: History, word: str) -> tuple[KindSummary, ...]:
    """The kinds that `nest-boxes/palm80@r2`, `nest-boxes`, `palm80@r2` or `palm80` names. Raises UsageError."""
    every = kinds(history)
    found = tuple(one for one in every if _names(word, one.kind))
    if not found:
        known = sorted({str(one.kind).partition(",")[0] for one in every})
        raise UsageError(
            f"the history of {history.store} has no flight of `{word}`",
            f"It has: {', '.join(known) if known else 'none at all'}",
        )
    return found


def _names(word: str, kind: Kind) -> bool:
    first, slash, last = word.partition("/")
    vehicle = {kind.vehicle, f"{kind.vehicle}@{kind.release}"}
    return (first == kind.scenario and last in vehicle) if slash else word in {kind.scenario, *vehicle}


def measure_names(history: History, kind: Kind) -> tuple[MeasureName, ...]:
    """The measures that the newest graded flight of a kind has, by name."""
    rows = history.connection.execute(
        f"""SELECT name, source, unit FROM measure WHERE flight = (
                SELECT flight.id FROM flight WHERE ({_KIND}) = (?, ?, ?, ?)
                AND EXISTS (SELECT 1 FROM measure WHERE measure.flight = flight.id)
                ORDER BY started_utc DESC, folder DESC LIMIT 1)
            ORDER BY name, source""",  # noqa: S608
        _key(kind),
    )
    return tuple(MeasureName(*row) for row in rows)


def trend(history: History, kind: Kind, measure: MeasureName, last: int | None = None) -> tuple[Point, ...]:
    """A measure over time, the oldest first; copies are left out. `last`: the newest so many."""
    rows = history.connection.execute(
        f"""SELECT folder, started_utc, seed, value, margin,
                   script_sha256, expectations_sha256, parameters_sha256, conditions_sha256
            FROM flight JOIN measure ON measure.flight = flight.id
            WHERE ({_KIND}) = (?, ?, ?, ?) AND name = ? AND source = ? AND value IS NOT NULL
            ORDER BY started_utc, folder""",  # noqa: S608
        (*_key(kind), measure.name, measure.source),
    )
    points = [
        Point(folder, started, int(seed), value, margin, tuple(inputs))
        for folder, started, seed, value, margin, *inputs in rows
    ]
    if kind.clock == "lockstep":
        points = list(_without_copies(points))
    return tuple(points if last is None else points[-last:])


def _without_copies(points: Sequence[Point]) -> Iterator[Point]:
    """Drops repetitions of a flight with equal seed, inputs and value: nothing was learned from them."""
    seen: set[tuple[object, ...]] = set()
    for one in points:
        what = (one.seed, one.inputs, one.value)
        if what not in seen:
            seen.add(what)
            yield one


def flaky(history: History, last: int = 200) -> tuple[Flaky, ...]:
    """The kinds whose newest state (script, expectations, parameters, conditions) both passes and fails.

    Of each state the newest `last` flights count. Sorted by the rate, the flakiest first.
    """
    found = []
    for summary in kinds(history):
        flights = _newest_state(history, summary.kind, last)
        one = _flaky(summary.kind, flights)
        if one is not None:
            found.append(one)
    return tuple(sorted(found, key=lambda one: (-one.rate, one.kind)))


def _newest_state(history: History, kind: Kind, last: int) -> list[sqlite3.Row]:
    cursor = history.connection.cursor()
    cursor.row_factory = sqlite3.Row
    return cursor.execute(
        f"""WITH newest AS (SELECT * FROM flight WHERE ({_KIND}) = (?, ?, ?, ?)
                            AND verdict IN ('pass', 'fail') ORDER BY started_utc DESC, folder DESC LIMIT 1)
            SELECT flight.* FROM flight JOIN newest USING ({_INPUTS})
            WHERE flight.verdict IN ('pass', 'fail')
            ORDER BY flight.started_utc DESC, flight.folder DESC LIMIT ?""",  # noqa: S608
        (*_key(kind), last),
    ).fetchall()


def _flaky(kind: Kind, flights: Sequence[sqlite3.Row]) -> Flaky | None:
    held = kind.clock == "lockstep"
    digests: dict[tuple[str, ...], set[str]] = {}
    samples: dict[str, sqlite3.Row] = {}
    for one in flights:  # the newest first: of copies the newest stands
        samples.setdefault(one["seed"] if held else one["folder"], one)
        if held and one["digest"]:
            digests.setdefault((one["seed"], one["fingerprint"], one["versions_sha256"]), set()).add(
                one["digest"]
            )
    broken = any(len(several) > 1 for several in digests.values())
    failed = [one for one in samples.values() if one["verdict"] == "fail"]
    if not broken and len(failed) in {0, len(samples)}:
        return None
    number, all_of_them, tail = len(failed), len(samples), 1 - (1 - CONFIDENCE) / 2
    seeds = tuple(sorted({int(one["seed"]) for one in failed}))
    low, high = share_at_least(number, all_of_them, tail), share_at_most(number, all_of_them, tail)
    rate = number / all_of_them
    return Flaky(kind, all_of_them, number, rate, low, high, seeds, flights[0]["started_utc"], broken)


def _kind(row: Sequence[object]) -> Kind:
    scenario, vehicle, release, clock = (str(one) for one in row)
    return Kind(scenario, vehicle, release, "lockstep" if clock == "lockstep" else "paced")


def _key(kind: Kind) -> tuple[str, str, str, str]:
    return kind.scenario, kind.vehicle, kind.release, kind.clock

"""The regression gate: measured rows against committed ones, by ratio, with an allowance from their own spread.

A ratio has its baseline in the same run, so the speed of the machine cancels out, as far as it makes both faster. What
repetitions show of noise is allowed for, and never less than a tenth: nothing is called worse for less than that.
"""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import hypot
from pathlib import Path
from typing import Any, Literal

from tests.benchmarks.bench_row import Row

LEAST_ALLOWANCE = 0.10
TIMES_THE_SPREAD = 4.0
MOST_ALLOWANCE = 0.50
"""Where repetitions lie so far apart that more than this had to be allowed, nothing is decided."""
Answer = Literal["as before", "worse", "better", "undecided", "new"]


@dataclass(frozen=True)
class Compared:
    """One row now and when it was committed."""

    row: Row
    then: Row | None
    answer: Answer
    allowance: float

    @property
    def change(self) -> float:
        """Of the ratio, as a share of what it was: -0.2 is a fifth slower."""
        return 0.0 if self.then is None else self.row.ratio / self.then.ratio - 1


def compare(row: Row, then: Row | None) -> Compared:
    """Worse when the ratio has fallen by more than is allowed, whatever the noise; undecided where noise hides it."""
    if then is None:
        return Compared(row, None, "new", 0.0)
    wanted = max(LEAST_ALLOWANCE, TIMES_THE_SPREAD * hypot(row.spread, then.spread))
    allowance = min(wanted, MOST_ALLOWANCE)
    change = row.ratio / then.ratio - 1
    answer: Answer = "as before"
    if change < -allowance:
        answer = "worse"
    elif wanted > MOST_ALLOWANCE:
        answer = "undecided"
    elif change > allowance:
        answer = "better"
    return Compared(row, then, answer, allowance)


def said(one: Compared) -> str:
    """One line for a person."""
    if one.then is None:
        return f"new: {one.row.name}: nothing was committed to compare with"
    slower = f"{abs(one.change):.0%} {'slower' if one.change < 0 else 'faster'} than committed"
    figures = f"{one.then.ratio:.3g}x of {one.row.against} then, {one.row.ratio:.3g}x now"
    noise = ", but repetitions lie too far apart to tell" if one.answer == "undecided" else ""
    return f"{one.answer}: {one.row.name}: {figures}, {slower} ({one.allowance:.0%} is allowed){noise}"


def verdict(found: Sequence[Compared]) -> tuple[str, int]:
    """The answer over all rows, and the exit code: 1 something became worse, 4 not decided, 0 neither."""
    worse = [one.row.name for one in found if one.answer == "worse"]
    if worse:
        return f"{len(worse)} of {len(found)} became worse: {'; '.join(worse)}", 1
    undecided = [one.row.name for one in found if one.answer == "undecided"]
    if undecided:
        return f"{len(undecided)} of {len(found)} not decided: measure on a quieter machine", 4
    return f"none of {len(found)} became worse", 0


def machine() -> dict[str, str | int]:
    """What the figures were measured on, for whoever wonders why they differ."""
    return {
        "processor": platform.machine(),
        "cores": os.cpu_count() or 0,
        "python": platform.python_version(),
    }


def write(file: Path, rows: Sequence[Row]) -> None:
    """The rows as JSON, with the machine."""
    document = {"machine": machine(), "rows": [asdict(row) for row in rows]}
    file.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")


def renew(file: Path, rows: Sequence[Row]) -> None:
    """Puts rows in the place of those of the same name, and leaves the others as they are."""
    kept = read(file) if file.exists() else {}
    write(file, list((kept | {row.name: row for row in rows}).values()))


def read(file: Path) -> dict[str, Row]:
    """Committed rows by name. Raises ValueError with words for a file that holds none."""
    try:
        document: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        return {row["name"]: Row(**row) for row in document["rows"]}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ValueError(f"{file} holds no figures of ci/bench ({error}): make them with --renew") from error

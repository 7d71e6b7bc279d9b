"""The summary for the job page of a CI server: Markdown tables, the worst first, capped in size.

Everything that comes from files, scripts or vehicles is escaped, so that it stays text wherever the page is shown.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from asflown.grade.result import VerdictWord
from asflown.report import atomic, words
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.repeat import again
from asflown.report.rows import rows
from asflown.report.visible import visible

SIZE_MAX = 400_000
"""Job pages take a megabyte or less; what is left out is said."""
_TEXT_MAX, _FAILURES_MAX = 600, 50
_ORDER: tuple[VerdictWord, ...] = ("fail", "error", "inconclusive", "pass")
_MARKUP = re.compile(r"[\\`*_{}\[\]()<>#+!|~&-]")
_ENTITIES = {"<": "&lt;", ">": "&gt;", "&": "&amp;", "|": "&#124;"}
"""Where a backslash is not understood by every reader of Markdown."""


def write_markdown(path: Path, outcomes: Iterable[ScenarioOutcome]) -> None:
    """Replaces the summary at `path`. Raises FolderProblem when it cannot be written."""
    atomic.write_text(path, markdown(list(outcomes)))


def markdown(outcomes: Sequence[ScenarioOutcome]) -> str:
    """The summary."""
    ordered = sorted(outcomes, key=lambda outcome: _ORDER.index(outcome.verdict))
    flights = sum(len(outcome.flights) for outcome in outcomes)
    lines = [f"## {words.count(flights, 'flight')}, {words.count(len(outcomes), 'scenario')}", ""]
    lines += ["| verdict | scenario | vehicle | flights | worst margin |", "|---|---|---|---:|---|"]
    lines += [_line(outcome) for outcome in ordered]
    failing = [(o, f) for o in ordered for f in o.flights if f.verdict != "pass"]
    for outcome, flown in failing[:_FAILURES_MAX]:
        lines += ["", *_failure(outcome, flown)]
    if len(failing) > _FAILURES_MAX:
        lines += ["", f"{len(failing) - _FAILURES_MAX} more flights did not pass."]
    text = "\n".join(lines) + "\n"
    return text if len(text) <= SIZE_MAX else text[:SIZE_MAX] + "\n\n… the rest is left out.\n"


def _line(outcome: ScenarioOutcome) -> str:
    known = [row for row in rows(outcome) if row.margin_value is not None]
    worst = min(known, key=lambda row: row.margin_value or 0.0, default=None)
    margin = "" if worst is None else f"{worst.margin} {_plain(worst.name)}"
    cells = [
        f"{words.SIGNS[outcome.verdict]} {outcome.verdict}", _plain(outcome.name), _plain(outcome.vehicle),
        str(len(outcome.flights)), margin,
    ]  # fmt: skip
    return f"| {' | '.join(cells)} |"


def _failure(outcome: ScenarioOutcome, flown: Flown) -> list[str]:
    """Plain words, and the command that flies it again."""
    what = f"{_plain(outcome.name)} on {_plain(outcome.vehicle)}, seed {flown.manifest.seed}"
    return [
        f"### {words.SIGNS[flown.verdict]} {what}",
        "",
        _plain(flown.reason),
        "",
        f"    {visible(again(flown)).splitlines()[0]}",
    ]


def _plain(text: str) -> str:
    """Text that no Markdown reads as anything else."""
    short = visible(text)
    short = short if len(short) <= _TEXT_MAX else f"{short[:_TEXT_MAX]} …"
    return _MARKUP.sub(_escaped, " ".join(short.split()))


def _escaped(found: re.Match[str]) -> str:
    return _ENTITIES.get(found[0], f"\\{found[0]}")

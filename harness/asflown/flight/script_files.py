"""Which files of a script's folder are the script's: what a person wrote there, not what asflown wrote beside it.

Flights, campaigns, sites and reports are often kept where the script lies. They are no part of it: a report of the last
flight is no edit of the script. Other runs may write and remove theirs meanwhile, so nothing that goes away is missed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

FILES_MAX = 500
BASELINES = "baseline"
"""The folder beside a scenario that says what earlier flights were like: it changes, and the script does not."""
_MADE = (
    ("flight.json",),
    ("vehicle.tlog",),  # of a flight that has no manifest yet
    ("events.jsonl",),
    ("plan.json", "results.jsonl"),
    ("index.html", "assets/site.js"),
)
"""What tells a folder that asflown made, a flight's, a campaign's or a site, by the names in it."""
_REPORT = re.compile(rb'<testsuites name="asflown"|"schema_version": \d+,\s+"asflown":')
_REPORT_BEGINS_WITHIN = 200


def own_files(folder: Path) -> list[Path]:
    """The script's files below `folder`, FILES_MAX at most.

    Scenario and vehicle files may lie beside the script and are no part of it: a changed wind is no edit of it. Neither
    are hidden and derived files, links, baselines, texts for people, and what asflown made.
    """
    found: list[Path] = []
    waiting = [folder]
    while waiting and len(found) < FILES_MAX:
        for entry in _entries(waiting.pop()):
            if entry == folder / BASELINES:
                continue
            if entry.is_dir():
                waiting.append(entry)
            elif entry.is_file() and not _is_report(entry):
                found.append(entry)
    return sorted(found)[:FILES_MAX]


def _entries(folder: Path) -> Iterator[Path]:
    """What may be the script's in one folder; nothing of a folder that asflown made."""
    if any(all((folder / name).exists() for name in names) for names in _MADE):
        return
    try:
        entries = sorted(folder.iterdir())
    except OSError:
        return
    for entry in entries:
        other = entry.name.startswith((".", "__pycache__")) or entry.is_symlink()
        if not other and not entry.name.endswith((".scenario.yaml", ".vehicle.yaml", ".md")):
            yield entry


def _is_report(file: Path) -> bool:
    """Whether asflown wrote it, as JSON or JUnit."""
    if file.suffix not in {".json", ".xml"}:
        return False
    try:
        with file.open("rb") as opened:
            return _REPORT.search(opened.read(_REPORT_BEGINS_WITHIN)) is not None
    except OSError:
        return False

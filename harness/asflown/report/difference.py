"""Where two flights that should be equal part ways first, and in what; it says nothing about why.

Reads the captures of both folders byte by byte. What has no flight time (the script's output, the exit code)
is named only when nothing that has one differs.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

import numpy as np

from asflown.errors import FolderProblem
from asflown.record import decode, folder, layout, truth


@dataclass(frozen=True, slots=True)
class Difference:
    """The first thing that differs in one capture."""

    at_s: float
    says: str


def first_difference(one: Path, other: Path) -> str:
    """One sentence: what differs first between two flight folders, when, and in which file."""
    found = [difference for difference in (*_tlogs(one, other), _truth(one, other)) if difference is not None]
    if found:
        first = min(found, key=lambda difference: difference.at_s)
        return f"{first.says}, at {first.at_s:.6f} s"
    return _output(one, other) or "what differs is in no capture: the state of the vehicle between records"


def _tlogs(one: Path, other: Path) -> list[Difference | None]:
    return [
        _tlog(one, other, name) for name in (folder.VEHICLE_TLOG, folder.SCRIPT_TLOG, folder.STATION_TLOG)
    ]


def _tlog(one: Path, other: Path, name: str) -> Difference | None:
    """The first record of a tlog that differs, by its message; stamps count, as they are part of the flight."""
    first, second = decode.index(one / name), decode.index(other / name)
    shorter = min(len(first.data), len(second.data))
    unequal = np.flatnonzero(first.data[:shorter] != second.data[:shorter])
    if not len(unequal) and len(first.data) == len(second.data):
        return None
    place = int(unequal[0]) if len(unequal) else shorter
    longer = first if len(first.data) >= len(second.data) else second
    number = int(np.searchsorted(longer.frame_start + longer.frame_length, place, side="right"))
    if number >= len(longer):
        return Difference(
            _flight_s(one, int(longer.time_us[-1])) if len(longer) else 0.0, f"{name} ends differently"
        )
    message = int(longer.message_id[number])
    known = layout.layout(message)
    what = known.name if known is not None else f"message {message}"
    return Difference(
        _flight_s(one, int(longer.time_us[number])), f"{name} differs in record {number + 1} ({what})"
    )


def _flight_s(of: Path, stamp_us: int) -> float:
    return (stamp_us - folder.read_manifest(of).clock.epoch_us) / 1e6


def _truth(one: Path, other: Path) -> Difference | None:
    """The first row of the truth that differs, and its first column that does."""
    try:
        first, second = truth.read(one), truth.read(other)
    except FolderProblem:
        return None  # no simulated vehicle
    shorter = min(len(first), len(second))
    unequal = np.argwhere(first[:shorter].view(np.int64) != second[:shorter].view(np.int64))
    if len(unequal):
        row, column = (int(number) for number in unequal[0])
        return Difference(float(first[row, 0]), f"the true {truth.TRUTH_COLUMNS[column]} differs")
    if len(first) != len(second):
        longer = first if len(first) > len(second) else second
        return Difference(float(longer[shorter, 0]), "one flight is longer")
    return None


def _output(one: Path, other: Path) -> str:
    first, second = ((of / folder.SCRIPT_LOG).read_bytes().splitlines() for of in (one, other))
    for number, (line, its_twin) in enumerate(zip_longest(first, second), 1):
        if line != its_twin:
            return f"line {number} of the script's output differs"
    codes = [folder.read_manifest(of).script.exit_code for of in (one, other)]
    return f"the script ended with {codes[0]} and with {codes[1]}" if codes[0] != codes[1] else ""

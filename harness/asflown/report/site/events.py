"""What happened in a flight, as its events file tells it, in words for a person."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Any

from asflown import files
from asflown.record import folder, layout
from asflown.report import words
from asflown.report.visible import visible

_EVENTS_MOST, _LONGEST_LINE, _LONGEST_TEXT = 400, 1_000_000, 500
_GRAVE = ("guard", "pilot", "safety", "deadlock", "capture-failed")
_NOT_TOLD = ("time_us", "kind", "at_us", "number")


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at one moment."""

    at_s: float
    what: str
    says: str
    grave: bool = False


def events_of(place: Path) -> list[Event]:
    """The events of a flight's folder in the order of time; none where there is no such file.

    What happened several times without anything between is told once, with how often and until when.
    """
    found: list[Event] = []
    try:
        opened = files.open_plain(place / folder.EVENTS, follow=False)
    except OSError:
        return found
    with io.TextIOWrapper(opened, "utf-8", "backslashreplace") as lines:
        while (text := lines.readline(_LONGEST_LINE)) and len(found) < _EVENTS_MOST:
            event = _event(text)
            if event is not None:
                found.append(event)
    return _gathered(sorted(found, key=lambda one: one.at_s))


def _gathered(events: Sequence[Event]) -> list[Event]:
    told = []
    for (_, says), alike in groupby(events, lambda one: (one.what, one.says)):
        first, *others = alike
        if others:
            often = f"{len(others) + 1} times until {words.seconds(others[-1].at_s)}"
            first = replace(first, says=f"{says}, {often}" if says else often)
        told.append(first)
    return told


def _event(text: str) -> Event | None:
    """A line that is half written, or none of ours, is left out."""
    try:
        entry = files.from_json(text)
        at_s, kind = float(entry["time_us"]) / 1e6, str(entry["kind"])
    except (ValueError, KeyError, TypeError, OverflowError):
        return None
    rest = {key: value for key, value in entry.items() if key not in _NOT_TOLD}
    what, says = _WORDS.get(kind, _as_noted)({"kind": kind, **rest})
    return Event(at_s, visible(what)[:_LONGEST_TEXT], visible(says)[:_LONGEST_TEXT], kind.startswith(_GRAVE))


Said = tuple[str, str]
"""What happened, and more about it."""


def _as_noted(one: Mapping[str, Any]) -> Said:
    rest = (f"{key.replace('_', ' ')}: {value}" for key, value in one.items() if key != "kind")
    return one["kind"].replace("-", " "), ", ".join(rest)


def _mode_change(one: Mapping[str, Any]) -> Said:
    return "the mode changes", f"{one.get('from')} → {one.get('to')}, by {one.get('by')}: {one.get('why')}"


def _cut_off(one: Mapping[str, Any]) -> Said:
    dropped = one.get("frames_dropped")
    return (
        f"the {one.get('role')} is cut off",
        f"{dropped} of its frames were waiting and are dropped" if dropped else "",
    )


def _injected(one: Mapping[str, Any]) -> Said:
    number = one.get("message")
    known = layout.layout(number) if isinstance(number, int) else None
    return f"the {one.get('source')} sends", f"message {number}" if known is None else known.name


def _plain(what: str, key: str = "") -> Callable[[Mapping[str, Any]], Said]:
    return lambda one: (what, str(one.get(key, "")))


_WORDS: dict[str, Callable[[Mapping[str, Any]], Said]] = {
    "vehicle-ready": _plain("the vehicle is ready"),
    "vehicle-rebooted": _plain("the vehicle starts anew"),
    "script-started": _plain("the script starts"),
    "script-ended": _plain("the script ends", "how"),
    "script-interrupted": _plain("the script is interrupted"),
    "mode-change": _mode_change,
    "safety": lambda one: (str(one.get("what")), str(one.get("cause"))),
    "guard-cause": _plain("the guard steps in", "says"),
    "cut-off": _cut_off,
    "injected": _injected,
}

"""What `asflown link share` shows: who is there, what passes each way, and what does not."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Self

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from asflown.report.terminal import console
from asflown.report.visible import visible

if TYPE_CHECKING:
    from asflown.link.share import Shown

LEVELS = ("pilot_command", "pilot", "guard", "command", "set_point", "rest")
NOT_SENT = {"dropped": "dropped", "expired": "too late", "superseded": "replaced"}
TROUBLES = {
    "frames_dropped": "not sent",
    "frames_missing": "missing",
    "frames_returned": "came back",
    "frames_withheld": "withheld",
    "frames_secret": "with a key",
    "bytes_rubbish": "bytes of rubbish",
}
"""Counters that should stay at zero, and what to call them."""

EVENTS = {
    "circle": (
        "the same frames come from two places (message {message} of system {system}): programs are connected in a"
        " circle, or two of them have the same ids"
    ),
    "vehicle-rebooted": "system {system} has started anew",
    "unroutable": "{endpoint}: message {message} for system {system}, component {component}: nobody has heard of that",
    "uplink-dropped": "no room on the way up: {frames}",
    "uplink-expired": "waited too long for the way up, and not sent: {frames}",
    "capture-stopped": "the link goes on without this capture: {why}",
    "stamp-not-kept": "{why}",
}
"""What happens, as a person reads it."""


def sentence(kind: str, facts: Mapping[str, Any]) -> str | None:
    """An event in words; None for those that nobody needs to read."""
    words = EVENTS.get(kind)
    if words is None:
        return None
    counted: Mapping[str, int] = facts.get("frames", {})
    frames = ", ".join(f"{count} of {name.replace('.', ': ')}" for name, count in counted.items())
    return visible(words.format(**{**facts, "frames": frames}))


def table(now: Shown, before: Shown | None) -> Table:
    """Everybody's traffic: totals, and frames a second since `before`."""
    shown = Table(box=None, pad_edge=False, header_style="dim")
    for name in ("", "heard", "/s", "sent", "/s", "troubles"):
        shown.add_column(name, justify="left" if name in {"", "troubles"} else "right")
    for port in _ports(now.counters):
        shown.add_row(*_row(port, now, before))
        for of_port, name, counters in now.parties:
            if of_port == port and name != port:
                there = (str(counters["frames_in"]), "", str(counters["frames_out"]), "")
                shown.add_row(Text(f"  {name.removeprefix(port).strip()}", style="dim"), *there, "")
    return shown


def uplink_line(counters: Mapping[str, int]) -> str:
    """The way up by level: frames sent, and in brackets those that were not."""
    levels = [said for level in LEVELS if (said := _level(counters, level))]
    waiting = counters["uplink.waiting"]
    return f"up: {', '.join(levels) or 'nothing yet'}" + (f"; {waiting} waiting" if waiting else "")


def _level(counters: Mapping[str, int], level: str) -> str:
    counted = {end: counters.get(f"uplink.{level}.{end}", 0) for end in ("sent", *NOT_SENT)}
    less = ", ".join(f"{counted[end]} {words}" for end, words in NOT_SENT.items() if counted[end])
    if not less and not counted["sent"]:
        return ""
    return f"{level.replace('_', ' ')} {counted['sent']}" + (f" ({less})" if less else "")


def _ports(counters: Mapping[str, int]) -> list[str]:
    suffix = ".frames_in"
    return [key.removesuffix(suffix) for key in counters if key.endswith(suffix)]


def _row(port: str, now: Shown, before: Shown | None) -> tuple[str, ...]:
    counters = now.counters
    heard, sent = f"{port}.frames_in", f"{port}.frames_out"
    troubles = [
        f"{counters[key]} {words}"
        for name, words in TROUBLES.items()
        if counters.get(key := f"{port}.{name}", 0)
    ]
    refused = sum(counters.get(f"{port}.signing.{kind}", 0) for kind in ("wrong", "replayed", "old"))
    if refused:
        troubles.append(f"{refused} with a signature that does not count")
    return (
        port,
        str(counters[heard]),
        _rate(heard, now, before),
        str(counters[sent]),
        _rate(sent, now, before),
        ", ".join(troubles),
    )


def _rate(key: str, now: Shown, before: Shown | None) -> str:
    if before is None or now.time_us == before.time_us:
        return ""
    frames = now.counters.get(key, 0) - before.counters.get(key, 0)
    return f"{1e6 * frames / (now.time_us - before.time_us):.0f}"


class LinkBoard:
    """A table that renews itself on a terminal; where there is none, only what happens is written, and the end."""

    def __init__(self) -> None:
        self._console: Console = console(sys.stderr)
        self._live = (
            Live(console=self._console, auto_refresh=False, transient=True)
            if self._console.is_terminal
            else None
        )
        self._before: Shown | None = None

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def show(self, now: Shown) -> None:
        """Renews the table."""
        if self._live is not None:
            self._live.update(Group(table(now, self._before), Text(uplink_line(now.counters))), refresh=True)
        self._before = now

    def say(self, words: str) -> None:
        """Writes a line that stays."""
        self._console.print(Text(words), soft_wrap=True)

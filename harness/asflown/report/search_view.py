"""What `asflown bisect` prints: each flight in a line, each answer with its confidence and what it took."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.console import Console
from rich.text import Text

from asflown.change.bisect import FirstBad
from asflown.change.bisect_drive import FlownAsk
from asflown.change.bisect_questions import Ask, Step
from asflown.change.delta import Responsible, changes_of
from asflown.report import words
from asflown.report.visible import visible

REPEATED = 10
"""Flights of each step where somebody repeats every flight ten times instead."""


def show_flight(ask: Ask, one: FlownAsk, *, known: bool, out: Console) -> None:
    """`is r3.4 bad? (3 left)  seed 1: bad`."""
    again = ", flown before" if known else ""
    text = Text(f"{visible(ask.why)}  seed {ask.seed}: ")
    text.append("bad" if one.bad else "good", style="red" if one.bad else "green")
    out.print(text.append(again, style="dim"), soft_wrap=True)


def show_first_bad(found: FirstBad, candidates: Sequence[str], out: Console) -> dict[str, Any]:
    """The answer of a bisection in words; returns it as data."""
    out.print()
    if found.found:
        says = f"{found.first_bad} is the first bad one; {found.last_good} is good"
    elif found.first_bad is None:
        says = f"{candidates[-1]} is good: nothing to find"
    else:
        says = f"{candidates[0]} is bad already: look for an older one that is good"
    _show(says, found.steps, found.flights, found.confidence, out)
    return {**asdict(found), "candidates": list(candidates), "says": says}


def show_responsible(found: Responsible, changes: Sequence[str], out: Console) -> dict[str, Any]:
    """The answer of delta debugging in words; returns it as data."""
    out.print()
    names = words.listing(found.changes)
    if found.problem:
        says = f"nothing found: {found.problem}"
    elif len(found.changes) == 1:
        says = f"{names} alone is responsible, of {len(changes)} that changed"
    else:
        says = f"{names} are responsible together, of {len(changes)} that changed: without any of them all is good"
    _show(says, found.steps, found.flights, found.confidence, out)
    return {**asdict(found), "changes_searched": list(changes), "says": says}


def _show(says: str, steps: Sequence[Step], flights: int, confidence: float, out: Console) -> None:
    out.print(Text(visible(says), style="bold"))
    for step in steps:
        what = "bad" if step.bad else "good"
        name = visible(_short(step.candidate))
        out.print(
            Text(f"  {name}: {what}, {step.failed} of {words.count(step.flights, 'flight')} bad", style="dim")
        )
    out.print(
        f"confidence at least {confidence * 100:.1f} %, {words.count(flights, 'flight')} flown; "
        f"repeating each of {len(steps)} steps {REPEATED} times would have taken {REPEATED * len(steps)}"
    )


def _short(candidate: str) -> str:
    changes = changes_of(candidate)
    return candidate if len(changes) <= 3 else f"{len(changes)} changes from {changes[0]} to {changes[-1]}"

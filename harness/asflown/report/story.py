"""What the terminal shows of the story of one flight or two: facts, each with its moment, and the commands to go on."""

from __future__ import annotations

import shlex

from rich.console import Console

from asflown.change.explain import Line, Story
from asflown.change.pair_story import PairStory
from asflown.change.sets import FlownFlight
from asflown.change.words import capital
from asflown.report.repeat import repeat_line
from asflown.report.terminal import print_indented

WIDTH = 10
"""Columns of the word that says what kind of line it is."""


def show(story: Story, out: Console) -> None:
    """Prints a story, and which commands show more."""
    manifest = story.flight.manifest
    release = f"@{manifest.vehicle.release}" if manifest.vehicle.release else ""
    title = f"{manifest.scenario} on {manifest.vehicle.name}{release}, seed {manifest.seed}, {manifest.clock.kind}"
    print_indented(out, f"{story.verdict.upper()}  ", title, "bold")
    for line in story.lines:
        style = "bold" if line.what == "first sign" else ""
        print_indented(out, f"{line.what:<{WIDTH}}  ", _says(line), style)
    out.print()
    if story.nearest is not None:
        compare = ["asflown", "compare", str(story.nearest.folder), str(story.flight.folder)]
        out.print(f"  {shlex.join(compare)}", soft_wrap=True)
    out.print(f"  {repeat_line(manifest)}", soft_wrap=True)


def show_both(a: FlownFlight, b: FlownFlight, answer: str, story: PairStory, out: Console) -> None:
    """Prints the story of two flights: the answer, who they are, and their lines."""
    print_indented(out, "", capital(answer), "bold")
    for name, flight in (("A", a), ("B", b)):
        print_indented(
            out, f"{name}  ", f"{flight.kind}, seed {flight.manifest.seed}: {flight.folder}", "dim"
        )
    for line in story.lines:
        style = "bold" if line.what == "why" else ""
        print_indented(out, f"{line.what:<{WIDTH}}  ", _says(line), style)
    out.print()
    compare = ["asflown", "compare", str(a.folder), str(b.folder)]
    out.print(f"  {shlex.join(compare)}", soft_wrap=True)


def _says(line: Line) -> str:
    return capital(line.says) if line.at_s is None else f"{line.at_s:.1f} s: {line.says}"

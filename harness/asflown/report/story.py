"""What the terminal shows of a flight's story: ten lines of facts, each with its moment, and the commands to go on."""

from __future__ import annotations

import shlex

from rich.console import Console

from asflown.change.explain import Line, Story
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


def _says(line: Line) -> str:
    return capital(line.says) if line.at_s is None else f"{line.at_s:.1f} s: {line.says}"

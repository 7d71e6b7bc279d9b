"""`asflown explain`: the story of one flight in ten lines, or of two: where, when and why they parted."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.change.sets import FlownFlight

DESCRIPTION = """\
Tells the story of one flight in ten lines: what was expected, what happened, the first sign that something was
wrong, the chain of events, and the nearest earlier flight that passed, with what differs. Of two flights it tells how
long they went together, what parted them, what followed in each, and how both ended. Nothing is flown.
"""

EXAMPLES = """\
examples:
  asflown explain .asflown/flights/20261103T081500Z-nest-boxes-palm80-1
  asflown explain FOLDER --keep /data/flights           look there for a flight that passed
  asflown explain FOLDER1 FOLDER2                       where, when and why these two parted
  asflown explain FOLDER1 FOLDER2 --site pages          the same as a page: both paths, every moment
  asflown explain FOLDER --site pages                   a page of it and the nearest flight that passed
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `explain` to the command."""
    parser = command(commands, "explain", "the story of one flight, or of two", DESCRIPTION, EXAMPLES)
    add = parser.add_argument
    add("flight", type=Path, metavar="FLIGHT", help="a flight's folder")
    add("other", type=Path, nargs="?", metavar="OTHER", help="a second one; the story is of both then")
    add("--keep", type=Path, metavar="DIR", help="where other flights are (beside this one)")
    add("--site", type=Path, metavar="DIR", help="write the story of two as a page into this folder")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Tells the story; returns 0 whatever the verdicts. Raises UsageError for what is no flight."""
    from asflown.change.explain import explain, others_in
    from asflown.change.sets import read_flight
    from asflown.errors import ExitCode, UsageError
    from asflown.report import atomic, story, terminal

    if options.site is not None:
        atomic.check_folder_writable(options.site)
    flight = read_flight(options.flight)
    if options.other is not None:
        _tell_both(flight, read_flight(options.other), options.site, show=True)
        return int(ExitCode.PASSED)
    told = explain(flight, others_in(options.keep or options.flight.parent))
    story.show(told, terminal.console())
    if options.site is not None:
        if told.nearest is None:
            raise UsageError(
                "a page shows two flights, and no earlier flight of this kind passed",
                "Name another: `asflown explain OTHER FLIGHT --site DIR`",
            )
        _tell_both(told.nearest, flight, options.site, show=False)
    return int(ExitCode.PASSED)


def _tell_both(a: FlownFlight, b: FlownFlight, site: Path | None, *, show: bool) -> None:
    """Compares two flights, prints their story, and writes the page. Raises UsageError, FolderProblem."""
    from asflown.change.compare import compare
    from asflown.change.pair_story import tell
    from asflown.change.sets import make_set
    from asflown.cli.recorded import write_comparison
    from asflown.errors import UsageError
    from asflown.report import story, terminal

    if a.folder.resolve() == b.folder.resolve():
        raise UsageError(f"{a.folder} is named twice", "Name two flights")
    sides = make_set(str(a.folder), [a]), make_set(str(b.folder), [b])
    found = compare(*sides)
    if show:
        story.show_both(a, b, found.statement, tell(a, b, found), terminal.console())
    if site is not None:
        print(f"page: {write_comparison(found, *sides, site)}")

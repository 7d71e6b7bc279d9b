"""`asflown explain`: the story of one flight in ten lines."""

from __future__ import annotations

import argparse
from pathlib import Path

from asflown.cli.parsing import SubParsers, command

DESCRIPTION = """\
Tells the story of one flight in ten lines: what was expected, what happened, the first sign that something was
wrong, the chain of events, and the nearest earlier flight that passed, with what differs. Nothing is flown.
"""

EXAMPLES = """\
examples:
  asflown explain .asflown/flights/20261103T081500Z-nest-boxes-palm80-1
  asflown explain FOLDER --keep /data/flights           look there for a flight that passed
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `explain` to the command."""
    parser = command(commands, "explain", "the story of one flight in ten lines", DESCRIPTION, EXAMPLES)
    parser.add_argument("flight", type=Path, metavar="FLIGHT", help="a flight's folder")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="where other flights are (beside this one)")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Tells the story; returns 0 whatever the flight's verdict. Raises UsageError for what is no flight."""
    from asflown.change.explain import explain, others_in
    from asflown.change.sets import read_flight
    from asflown.errors import ExitCode
    from asflown.report import story, terminal

    flight = read_flight(options.flight)
    others = others_in(options.keep or options.flight.parent)
    story.show(explain(flight, others), terminal.console())
    return int(ExitCode.PASSED)

"""`asflown sensitivity`: the smallest disturbance of a flight that the tolerances of its scenario catch."""

from __future__ import annotations

import argparse
from pathlib import Path

from asflown.cli.parsing import SubParsers, add_quiet, command, count

DESCRIPTION = """\
Says how small a mistake the tolerances of a scenario catch. A scenario is flown as a campaign: once undisturbed; that
flight's record is disturbed by known amounts (to the side, up and down, later, faster: what a mistaken script does);
then it is flown anew with a script that thinks longer, with another craft (heavier, weaker, more drag, poorer sensors)
and over a worse link (later, lossy, gone for a while). Told is from which size on the verdict is `fail`, and by which
measure, rule or check. Interrupted, it goes on when the same command is given again. Of recorded flights the record is
disturbed, and nothing flown.
"""

EXAMPLES = """\
examples:
  asflown sensitivity scenarios --workers 2            about thirty flights of each demo
  asflown sensitivity scenarios --recorded-only        one flight of each, its record disturbed
  asflown sensitivity .asflown/flights/*-nest-boxes-*  flights that were recorded before
  asflown sensitivity field-day.tlog --scenario my.scenario.yaml --json sensitivity.json
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `sensitivity` to the command."""
    parser = command(
        commands,
        "sensitivity",
        "say how small a mistake the tolerances of a scenario catch",
        DESCRIPTION,
        EXAMPLES,
    )
    add = parser.add_argument
    add(
        "paths",
        nargs="+",
        type=Path,
        metavar="SCENARIO_OR_FLIGHT",
        help="a *.scenario.yaml file, a folder with some below, a flight's folder, or a tlog",
    )
    add("--scenario", type=Path, metavar="FILE", help="judge flights by this file instead of their own")
    add("--vehicle", metavar="NAME", help="what flies scenarios: palm80, field1400 or a vehicle file")
    add("--workers", type=count, default=1, metavar="N", help="processes of this machine")
    add(
        "--recorded-only",
        action="store_true",
        help="fly each scenario once and disturb its record, but not script, vehicle and link",
    )
    add("--into", type=Path, metavar="DIR", help="where the campaigns are kept (.asflown/sensitivity)")
    add("--json", type=Path, metavar="FILE", help="write every number as JSON")
    add_quiet(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Disturbs what was named; returns the exit code. Raises UsageError and FolderProblem for what cannot be."""
    from asflown.cli.disturbing import Request, disturb_all

    return disturb_all(
        Request(
            tuple(options.paths),
            options.scenario,
            options.vehicle,
            options.into,
            options.json,
            options.workers,
            options.recorded_only,
            options.quiet,
        )
    )

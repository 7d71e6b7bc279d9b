"""`asflown sensitivity`: the smallest disturbance of a flight that the tolerances of its scenario catch."""

from __future__ import annotations

import argparse
from pathlib import Path

from asflown.cli.parsing import SubParsers, command

DESCRIPTION = """\
Disturbs what a flight recorded by known amounts (to the side, up and down, later, faster) and says from which size
on the scenario's tolerances catch it, and which measure, rule or check does. A scenario is flown once for it.
"""

EXAMPLES = """\
examples:
  asflown sensitivity scenarios                        flies each demo once, and says what its tolerances catch
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
    add("--keep", type=Path, metavar="DIR", help="where flight folders go (.asflown/flights)")
    add("--json", type=Path, metavar="FILE", help="write every number as JSON")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Disturbs what was named; returns the exit code. Raises UsageError and FolderProblem for what cannot be."""
    from asflown.cli.disturbing import Request, disturb_all

    return disturb_all(
        Request(tuple(options.paths), options.scenario, options.vehicle, options.keep, options.json)
    )

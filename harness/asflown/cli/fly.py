"""`asflown fly`: flies scenarios, grades the flights, and reports."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from asflown.cli.parsing import SubParsers, add_quiet, command, count

DESCRIPTION = """\
Flies each scenario with its own script, compares what was flown with what the scenario expects, and ends with
an exit code that says whether that will do. Scripts run unmodified, as processes of their own.
"""

EXAMPLES = """\
examples:
  asflown fly scenarios/nest_boxes                      one demo, as its file says
  asflown fly scenarios --workers 2 --junit report.xml  all of them, two at a time, for a CI server
  asflown fly my.scenario.yaml --flights 3 --seed 7     seeds 7, 8 and 9
  asflown fly my.scenario.yaml --prove                  does the same flight give the same bytes?
  asflown fly scenarios/nest_boxes --against-baseline   has anything changed since the approved flights?
  asflown fly scenarios/nest_boxes --vehicle palm80@r1 --vehicle palm80@r2
                                                        what does release r2 change?
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `fly` to the command."""
    parser = command(commands, "fly", "fly scenarios and grade the flights", DESCRIPTION, EXAMPLES)
    add = parser.add_argument
    add(
        "paths",
        nargs="+",
        type=Path,
        metavar="PATH",
        help="a *.scenario.yaml file, or a folder with some below",
    )
    add(
        "--vehicle",
        action="append",
        default=[],
        metavar="NAME",
        help="palm80, field1400 or a vehicle file, instead of the scenario's own; several are compared with the first",
    )
    add("--flights", type=count, metavar="N", help="flights of each scenario, with seeds that count up")
    add("--seed", type=_seed, metavar="N", help="the first flight's seed")
    add("--workers", type=count, default=1, metavar="N", help="flights at the same time, each in a process")
    add(
        "--clock",
        choices=("any", "lockstep", "paced"),
        default="any",
        help="virtual time, wall time, or what the scenario says (any, the default)",
    )
    add(
        "--retry-errors",
        type=count,
        default=0,
        metavar="N",
        help="fly again, up to N times, what could not be carried out; what failed is never flown again",
    )
    add(
        "--sandbox",
        action="store_true",
        help="start the script with no network but the flight's and no files but its folder (needs bubblewrap)",
    )
    add_quiet(parser)
    add("--prove", action="store_true", help="fly the first seed twice and compare every byte")
    add(
        "--record-only",
        action="store_true",
        help="a pilot flies a real vehicle by hand: record it, without script and guard, and grade it later",
    )
    _add_reports(parser)
    add(
        "--given",
        action="append",
        default=[],
        type=_given,
        metavar="KEY=VALUE",
        help='another value than the file has: --given "conditions.wind.speed=4 m/s"',
    )
    add("--keep", type=Path, metavar="DIR", help="where flight folders go (.asflown/flights)")
    parser.set_defaults(run=run)


def _add_reports(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("--junit", type=Path, metavar="FILE", help="write a JUnit report, replaced as results come in")
    add("--json", type=Path, metavar="FILE", help="write every number as JSON")
    add("--markdown", type=Path, metavar="FILE", help="write a summary for the job page of a CI server")
    add("--site", type=Path, metavar="DIR", help="write static pages of these flights into this folder")
    add(
        "--against-baseline",
        nargs="?",
        const="",
        metavar="LINE",
        help="fail when flights differ from the approved baseline (of this release line, r1, instead of their own)",
    )


def run(options: argparse.Namespace) -> int:
    """Flies what was asked for; returns the exit code."""
    if options.record_only:
        from asflown.cli.by_hand import record

        return record(tuple(options.paths), next(iter(options.vehicle), None), options.keep)
    if (
        options.sandbox
    ):  # before numpy starts threads of its own: only a process of one thread leaves the network
        os.environ["OPENBLAS_NUM_THREADS"] = "1"
    from asflown.cli.flights import FlyRequest, fly_all

    return fly_all(
        FlyRequest(
            paths=tuple(options.paths),
            vehicle=options.vehicle[0] if options.vehicle else None,
            flights=options.flights,
            seed=options.seed,
            workers=options.workers,
            clock=options.clock,
            prove=options.prove,
            junit=options.junit,
            json=options.json,
            keep=options.keep,
            given=dict(options.given),
            site=options.site,
            markdown=options.markdown,
            further_vehicles=tuple(options.vehicle[1:]),
            against_baseline=options.against_baseline,
            retry_errors=options.retry_errors,
            sandbox=options.sandbox,
            quiet=options.quiet,
        )
    )


def _given(text: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not (key.strip() and equals and value.strip()):
        raise argparse.ArgumentTypeError(f"'{text}' is not KEY=VALUE")
    return key.strip(), value.strip()


def _seed(text: str) -> int:
    if not text.isdecimal() or int(text) >= 2**63:
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number from 0 to 2^63 - 1")
    return int(text)

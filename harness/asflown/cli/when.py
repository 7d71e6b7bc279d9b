"""`asflown when`: from which moment of a flight on its failure was all but certain."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, add_quiet, command, count

if TYPE_CHECKING:
    from asflown.campaign.moments import Moment
    from asflown.campaign.when import When

DESCRIPTION = """\
Finds the point of no return of a flight that failed: flies it again, bit by bit, up to a moment, and lets chance begin
anew there (noise of sensors, turbulence, loss on the radio), many times. From the moment on from which it fails
whatever chance does, the failure was decided: look for its cause there. What the scenario itself does to the flight,
such as faults and gusts, stays.
"""

EXAMPLES = """\
examples:
  asflown when .asflown/flights/20261103T081500Z-nest-boxes-palm80-1
  asflown when FLIGHT --within 0.1s --workers 2
  asflown when FLIGHT --most 400 --json when.json

The flight must have been flown in lockstep by the built-in vehicle, with this build on a machine like this one. When
the command is interrupted, the same command goes on.

exit codes: 0 found; 4 not clear in so many flights; 2 the flight cannot be flown again; 3 branches could not be flown
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `when` to the command."""
    parser = command(
        commands, "when", "find from which moment on a failure was all but certain", DESCRIPTION, EXAMPLES
    )
    add = parser.add_argument
    add("flight", type=Path, metavar="FLIGHT", help="the folder of a flight that failed")
    add(
        "--within",
        type=_seconds,
        default=0.25,
        metavar="TIME",
        help="how closely, such as 0.1s or 100ms (0.25s)",
    )
    add(
        "--most",
        type=count,
        default=300,
        metavar="N",
        help="fly no more than so many (300; usually 100 to 150)",
    )
    add("--workers", type=count, default=1, metavar="N", help="processes of this machine")
    add("--scheduler", metavar="URL", help="fly on a Dask cluster instead (pip install 'asflown[cluster]')")
    add("--into", type=Path, metavar="DIR", help="the folder of results (.asflown/when/FLIGHT)")
    add("--json", type=Path, metavar="FILE", help="write every moment and number as JSON")
    add_quiet(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Flies branches, and reports. Raises UsageError for a flight that cannot be flown again, and FolderProblem."""
    from asflown.campaign.replay import Branches, original_of
    from asflown.campaign.store import Store
    from asflown.campaign.when import WHEN, find_when, write_when
    from asflown.change.sets import read_flight
    from asflown.cli.many import board_of_many, executor_of

    flight = read_flight(options.flight)
    original = original_of(flight)
    store = Store(options.into or WHEN / original.manifest.flight_id)
    with board_of_many(quiet=options.quiet) as shown:
        branches = Branches(original, executor_of(options.workers, options.scheduler, shown), store)
        when = find_when(flight, branches, within_s=options.within, most=options.most)
    page = write_when(when, store.folder / "page", options.json)
    _show(when)
    print(f"page: {page}")
    return int(when.exit_code)


def _show(when: When) -> None:
    """The answer first, then what happened then, then every moment."""
    from asflown.report import terminal

    out = terminal.console()
    out.print(when.answer, style="bold")
    for one in when.happened:
        terminal.print_indented(out, f"  {one.at_s:.2f} s ", one.says, "red" if one.weight == 3 else "")
    print()
    print("chance anew at   failed   95 % interval   rising curve")
    for moment in when.found.moments:
        if moment.answered:
            print(_line(moment))
    if when.other_reasons:
        print(f"{when.other_reasons} of the failed flights failed in other things than this one did")
    if when.unanswered:
        print(f"{when.unanswered} could not be flown or did not decide, and count in nothing")
    for line in when.again:
        print(line)


def _line(moment: Moment) -> str:
    interval = moment.interval
    share = f"{moment.happened} of {moment.answered}"
    between = f"{interval.low:4.0%} to {interval.high:4.0%}"
    return f"{moment.at_s:12.2f} s {share:>9}   {between:>13}   {moment.fitted:>9.0%}"


def _seconds(text: str) -> float:
    """A duration of at least one tick."""
    from asflown.errors import QuantityProblem
    from asflown.units import Dimension, parse_quantity

    try:
        value = parse_quantity(text, Dimension.DURATION)
    except QuantityProblem as problem:
        raise argparse.ArgumentTypeError(str(problem)) from problem
    if value < 0.01:
        raise argparse.ArgumentTypeError(f"'{text}' is shorter than a step of 10 ms")
    return value

"""`asflown compare`: what differs between two sets of flights, what came first, and is it more than noise."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.change.compare import Bands
    from asflown.change.findings import Comparison
    from asflown.change.sets import FlightSet

DESCRIPTION = """\
Puts two flights, or two sets of flights, side by side: first what the scripts asked for, then what the vehicles
did. Findings come in order of cause. That nothing changed is said only where the flights show it.
"""

EXAMPLES = """\
A and B are each a flight's folder, a folder of flights, or the latest flights of a scenario and vehicle in the
store, as SCENARIO/VEHICLE@RELEASE. A may be an approved baseline's file instead.

examples:
  asflown compare before after                          two folders of flights
  asflown compare nest-boxes/palm80@r1 nest-boxes/palm80@r2
  asflown compare FOLDER1 FOLDER2 --with FOLDER3        two flights against one
  asflown compare nest-boxes/palm80 nest-boxes/workshop-quad --stand-in
                                                        may the simulation stand in for the hardware?
  asflown compare before --plan                         how many flights would show a change?
  asflown compare before after --site pages             both paths in one picture, measures side by side
  asflown compare before after --band cross_track_p95=0.1m --json change.json

exit codes:
  0 no difference, or equivalent within the bands    1 different    2 usage or file error    4 not decided
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `compare` to the command."""
    parser = command(
        commands, "compare", "what differs between two sets of flights, and since when", DESCRIPTION, EXAMPLES
    )
    add = parser.add_argument
    add("a", nargs="+", metavar="A", help="A and B; or all of A, where --with names B")
    add("--with", dest="b", nargs="+", metavar="B", help="the flights of B, where there are several names")
    add(
        "--band",
        action="append",
        default=[],
        metavar="NAME=SIZE",
        help="what counts as no change of a measure, either way: duration=2s",
    )
    add("--band-share", type=_share, metavar="SHARE", help="the same for all others, of their limits (0.1)")
    add("--stand-in", action="store_true", help="also say whether A, simulated, may stand in for B")
    add("--plan", action="store_true", help="say what a comparison with flights such as A could show")
    add("--keep", type=Path, metavar="DIR", help="where flight folders are (.asflown/flights)")
    add("--json", type=Path, metavar="FILE", help="write everything found as JSON")
    add("--site", type=Path, metavar="DIR", help="write a page of both, and one of each flight, here")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Compares what was named; returns the exit code. Raises UsageError for what cannot be compared."""
    from asflown.change.compare import compare
    from asflown.report import atomic, comparison, comparison_document, terminal

    if options.json is not None:
        atomic.check_writable(options.json)
    if options.site is not None:
        atomic.check_folder_writable(options.site)
        _refuse_site(options)
    if options.plan:
        return _plan(options)
    if (baseline := _baseline(options)) is not None:
        return _against(baseline, options)
    a, b = _sides(options)
    bands = _bands(options)
    if options.stand_in:
        return _stand_in(a, b, bands, options)
    found = compare(a, b, bands)
    if options.json is not None:
        comparison_document.write_json(options.json, found)
    comparison.show(found, terminal.console())
    _write_site(options.site, found, a, b)
    return int(found.exit_code)


def _refuse_site(options: argparse.Namespace) -> None:
    """Raises UsageError where there are not two sets of flights to draw."""
    from asflown.errors import UsageError

    if options.plan or _baseline(options) is not None:
        what = "a plan" if options.plan else "a baseline"
        raise UsageError(f"--site draws flights of both sides, and {what} has none", "Leave it out")


def _write_site(site: Path | None, found: Comparison, a: FlightSet, b: FlightSet) -> None:
    """Writes the pages, where they are asked for, and prints the one to open. Raises FolderProblem."""
    if site is None:
        return
    from asflown.cli.recorded import write_comparison

    print(f"page: {write_comparison(found, a, b, site)}")


def _plan(options: argparse.Namespace) -> int:
    """Prints what so many flights could show, before they are flown."""
    from asflown.change.plan import plan
    from asflown.change.sets import load_set
    from asflown.errors import ExitCode
    from asflown.record.folder import FLIGHTS
    from asflown.report import comparison, terminal

    flights = load_set(options.a, options.keep or FLIGHTS)
    bands = _bands(options)
    comparison.show_plan(plan(flights, bands.by_name, bands.share), flights, terminal.console())
    return int(ExitCode.PASSED)


def _baseline(options: argparse.Namespace) -> Path | None:
    """The file, where A is a baseline."""
    from asflown.change.baseline_model import SUFFIX

    first = Path(options.a[0])
    return first if first.name.endswith(SUFFIX) else None


def _against(file: Path, options: argparse.Namespace) -> int:
    """Holds B against a baseline; returns the exit code."""
    from json import dumps

    from asflown.change.baseline_judge import judge_against
    from asflown.change.baseline_model import read_baseline
    from asflown.change.findings import EXIT_CODES
    from asflown.change.sets import load_set
    from asflown.errors import UsageError
    from asflown.record.folder import FLIGHTS
    from asflown.report import atomic, baseline_view, comparison_document, terminal

    names = options.a[1:] if options.b is None else options.b
    if options.stand_in or options.band or options.band_share or not names:
        raise UsageError(
            f"{file} is a baseline, which has bands of its own and stands for no vehicle",
            "Name it and flights: `asflown compare BASELINE FLIGHTS`",
        )
    found = judge_against(read_baseline(file), load_set(names, options.keep or FLIGHTS))
    if options.json is not None:
        document = comparison_document.plain(baseline_view.against_data(found))
        atomic.write_text(options.json, dumps(document, indent=2, ensure_ascii=False) + "\n")
    baseline_view.show_against(found, terminal.console())
    return int(EXIT_CODES[found.conclusion])


def _stand_in(a: FlightSet, b: FlightSet, bands: Bands, options: argparse.Namespace) -> int:
    from asflown.change.stand_in import stand_in
    from asflown.report import comparison, comparison_document, terminal

    found = stand_in(a, b, bands)
    if options.json is not None:
        comparison_document.write_stand_in_json(options.json, found)
    comparison.show_stand_in(found, terminal.console())
    _write_site(options.site, found.comparison, a, b)
    return int(found.exit_code)


def _sides(options: argparse.Namespace) -> tuple[FlightSet, FlightSet]:
    from asflown.change.sets import load_set
    from asflown.errors import UsageError
    from asflown.record.folder import FLIGHTS

    words_a, words_b = options.a, options.b
    if words_b is None:
        if len(words_a) != 2:
            raise UsageError(
                f"A and B are two names, and there {'is 1' if len(words_a) == 1 else f'are {len(words_a)}'}",
                "Name A and B, or A1 A2 ... --with B1 B2 ...",
            )
        words_a, words_b = words_a[:1], words_a[1:]
    store = options.keep or FLIGHTS
    return load_set(words_a, store), load_set(words_b, store)


def _bands(options: argparse.Namespace) -> Bands:
    """The bands that the command names. Raises UsageError for a measure that does not exist, or no size."""
    from asflown.change.compare import Bands
    from asflown.change.measure_change import BAND_SHARE
    from asflown.errors import UsageError
    from asflown.scenario.measure_names import MEASURES
    from asflown.scenario.places import nearest
    from asflown.units import parse_quantity

    found: dict[str, float] = {}
    for text in options.band:
        name, equals, size = text.partition("=")
        if name not in MEASURES or not equals:
            near = nearest(name, list(MEASURES))
            hint = f"Did you mean `{near}=...`?" if near else "Write it like `duration=2s`"
            raise UsageError(f"--band {text} names no measure and its band", hint)
        found[name] = parse_quantity(size, MEASURES[name].dimension)
        if not found[name] > 0:
            raise UsageError(f"--band {text} is no band", "Give a size above zero")
    return Bands(found, options.band_share or BAND_SHARE)


def _share(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value <= 10:
        raise argparse.ArgumentTypeError(f"'{text}' is no share above 0, such as 0.1")
    return value

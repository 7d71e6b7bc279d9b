"""`asflown history`: which flights there are, how measures went over time, what is flaky, what may go."""

from __future__ import annotations

import argparse
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command, count

if TYPE_CHECKING:
    from asflown.change.history_store import History

DESCRIPTION = """\
Every flight that `asflown fly` makes is entered into an index beside the flights' folders. It can
be deleted: the folders are the truth, and each of these commands first catches up with them.
"""

EXAMPLES = """\
examples:
  asflown history                               what was flown, and how it went
  asflown history show nest-boxes/palm80@r1     each measure over time, and since when it differs
  asflown history flaky                         what passes and fails although nothing changed
  asflown history matrix                        releases against scenarios, of what was flown
  asflown history prune --newest 50 --days 90   what may go; nothing is removed without --remove
"""

PRUNE = """\
Says which flights may go: those beyond the newest so many of their kind, those older than so many
days, and the oldest until all take no more than so much space. What a baseline refers to stays.
Nothing is removed without --remove.
"""


ACTION_EXAMPLES = {
    "show": """\
  asflown history show nest-boxes/palm80@r1 --last 20
  asflown history show nest-boxes/palm80 --measure cross_track_p95
""",
    "flaky": """\
  asflown history flaky
  asflown history flaky --keep nightly/flights --json flaky.json
""",
    "matrix": """\
  asflown history matrix                           everything that was flown
  asflown history matrix nest-boxes palm80@r1 palm80@r3
""",
    "rebuild": """\
  asflown history rebuild                          after flights' folders were moved or removed by hand
""",
    "prune": """\
  asflown history prune --newest 50 --days 90      what may go
  asflown history prune --size 2GB --remove        remove it
""",
}


def add_parser(commands: SubParsers) -> None:
    """Adds `history` to the command."""
    parser = command(
        commands, "history", "flights over time: trends, since when, flaky ones", DESCRIPTION, EXAMPLES
    )
    _common(parser)
    parser.set_defaults(run=run, what="list")
    actions = parser.add_subparsers(title="what about them", metavar="WHAT")
    show = _action(actions, "show", "measures over time, and since when they differ")
    show.add_argument(
        "selector", metavar="SELECTOR", help="scenario/vehicle@release; either part may be missing"
    )
    show.add_argument("--measure", metavar="NAME", help="this one alone, flight by flight")
    show.add_argument("--last", type=count, metavar="N", help="the newest N flights")
    _action(actions, "flaky", "what passes and fails although nothing changed")
    matrix = _action(
        actions, "matrix", "scenarios against vehicles and releases, and what each of them changed"
    )
    matrix.add_argument(
        "selectors", nargs="*", metavar="SELECTOR", help="scenario, vehicle or vehicle@release"
    )
    _action(actions, "rebuild", "make the index anew from the flights' folders")
    prune = _action(actions, "prune", "say which flights may go, and remove them if asked to", PRUNE)
    prune.add_argument("--newest", type=count, metavar="N", help="keep the newest N of each kind")
    prune.add_argument("--days", type=count, metavar="N", help="keep what is younger than N days")
    prune.add_argument(
        "--size", type=_size, metavar="SIZE", help="keep no more than this, such as 2GB or 500MB"
    )
    prune.add_argument("--remove", action="store_true", help="remove them, and do not only say which")
    prune.add_argument(
        "--baselines",
        type=Path,
        action="append",
        default=[],
        metavar="DIR",
        help="look for baselines below this folder, too (they are found beside scenarios, and below this folder)",
    )


def _action(
    actions: SubParsers, name: str, says: str, description: str | None = None
) -> argparse.ArgumentParser:
    examples = f"examples:\n{ACTION_EXAMPLES[name]}"
    parser = command(actions, name, says, description or f"{says[:1].upper()}{says[1:]}.", examples)
    _common(parser, argparse.SUPPRESS)
    parser.set_defaults(what=name)
    return parser


def _common(parser: argparse.ArgumentParser, default: object = None) -> None:
    add = parser.add_argument
    add("--keep", type=Path, default=default, metavar="DIR", help="where the flights are (.asflown/flights)")
    add("--json", type=Path, default=default, metavar="FILE", help="write what is shown as JSON, too")


def run(options: argparse.Namespace) -> int:
    """Shows what was asked for; returns the exit code. Raises UsageError."""
    from asflown.change.history_store import History, delete_index
    from asflown.errors import FolderProblem
    from asflown.record.folder import FLIGHTS
    from asflown.report import atomic

    store: Path = options.keep or FLIGHTS
    if not store.is_dir():
        raise FolderProblem(
            f"there is no folder {store}", "Fly something first, or name the place with --keep"
        )
    if options.json is not None:
        atomic.check_writable(options.json)
    if options.what == "rebuild":
        delete_index(store)
    with History(store) as history:
        caught = history.catch_up()
        for name in caught.unreadable:
            print(f"! {store / name} cannot be read and is left out")
        return _SHOWN[options.what](history, options)


def _list(history: History, options: argparse.Namespace) -> int:
    from asflown.change.history_query import kinds
    from asflown.report import history_view

    _show(options, history_view.kinds_view(kinds(history)))
    return 0


def _trends(history: History, options: argparse.Namespace) -> int:
    from asflown.change.history_query import kinds_named
    from asflown.change.history_trend import trends
    from asflown.report import history_view

    found = [
        (summary, trends(history, summary.kind, options.measure, options.last))
        for summary in kinds_named(history, options.selector)
    ]
    _show(options, history_view.trends_view(found, each_flight=options.measure is not None))
    return 0


def _flaky(history: History, options: argparse.Namespace) -> int:
    from asflown.change.history_query import flaky
    from asflown.report import history_view

    _show(options, history_view.flaky_view(flaky(history)))
    return 0


def _matrix(history: History, options: argparse.Namespace) -> int:
    """The latest flights of each kind that was asked for, against those of the first vehicle in each scenario."""
    from asflown.change.history_query import kinds, kinds_named
    from asflown.change.matrix import make_matrix, recorded
    from asflown.report import history_view, matrix_view

    words = options.selectors
    chosen = [one for word in words for one in kinds_named(history, word)] if words else kinds(history)
    matrix = make_matrix(recorded(sorted({one.kind for one in chosen}), history.store))
    view = history_view.View(
        lambda out: matrix_view.show_matrix(matrix, out), {"matrix": matrix_view.matrix_data(matrix)}
    )
    _show(options, view)
    return 0


def _rebuild(history: History, options: argparse.Namespace) -> int:
    return _list(history, options)


def _prune(history: History, options: argparse.Namespace) -> int:
    from asflown.change.baseline_places import protector
    from asflown.change.history_prune import Retention, plan_prune, remove, stored_flights
    from asflown.clock.wall import utc_now
    from asflown.errors import UsageError
    from asflown.report import history_view

    age = None if options.days is None else timedelta(days=options.days)
    retention = Retention(options.newest, age, options.size)
    if retention == Retention():
        raise UsageError("nothing says what to keep", "Add --newest N, --days N or --size SIZE")
    flights = stored_flights(history)
    protects = protector({Path(one.scenario_file) for one in flights}, [Path(), *options.baselines])
    plan = plan_prune(flights, retention, protects, utc_now())
    _show(options, history_view.prune_view(plan, removed=options.remove))
    if options.remove:
        remove(history, plan)
    return 0


def _show(options: argparse.Namespace, view: object) -> None:
    """Prints a view, and writes it as JSON where that was asked for."""
    import json

    from asflown.report import atomic, terminal
    from asflown.report.history_view import View

    assert isinstance(view, View)
    if options.json is not None:
        atomic.write_text(options.json, json.dumps(view.data, indent=2) + "\n")
    view.print_on(terminal.console())


_SHOWN = {
    "list": _list,
    "show": _trends,
    "flaky": _flaky,
    "matrix": _matrix,
    "rebuild": _rebuild,
    "prune": _prune,
}


_UNITS = {"KB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12}


def _size(text: str) -> int:
    number, unit = text[:-2].strip(), text[-2:].upper()
    try:
        return round(float(number) * _UNITS[unit])
    except (KeyError, ValueError):
        raise argparse.ArgumentTypeError(f"'{text}' is no size: write one such as 500MB or 2GB") from None

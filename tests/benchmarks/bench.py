"""The measured targets: each row against its baseline in the same run, the minimum of alternating repetitions.

    ci/bench [--rows WORD ...] [--json FILE] [--against FILE] [--renew FILE] [GROUP ...]

A target that is missed is printed as missed. `--against` is the regression gate: rows are compared by ratio with those
of a committed file; a row that seems worse, or is not decided, is measured once more, and the better counts. The exit
code is 1 when something became worse, 4 when repetitions lie too far apart to tell, else 0. The committed figures are
tests/benchmarks/bench-figures.json: `ci/bench --renew tests/benchmarks/bench-figures.json [--rows ...]` on a machine
that does nothing else puts today's rows into it, for a commit that says why they changed.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks import bench_flights, bench_gate
from tests.benchmarks.bench_row import YARDSTICK, Bench, Row, Work, compared, shown, yardstick

if TYPE_CHECKING:
    from asflown.frames import FloatArray


def decoding(name: str) -> Row:
    """One hour of 50 Hz positions and attitude: index and all columns, beside pymavlink's reader."""
    from pymavlink import mavutil

    from asflown.record import decode
    from tests.benchmarks.long_capture import write_capture

    mavutil.set_dialect("development")
    with tempfile.TemporaryDirectory() as folder:
        path = write_capture(Path(folder) / "hour.tlog", seconds=3600)

        def ours() -> None:
            index = decode.index(path)
            for message_id in sorted(set(index.message_id.tolist())):
                decode.columns(index, message_id)

        def theirs() -> None:
            reader = mavutil.mavlogfile(str(path))
            while reader.recv_msg() is not None:
                pass
            reader.close()

        return compared(name, ours, theirs, "pymavlink's reader", at_least=20)


def _paths() -> tuple[FloatArray, FloatArray]:
    """Two of 2,000 points: a curve in space, and the same with a wander and noise."""
    import numpy as np

    random = np.random.default_rng(1)
    along = np.linspace(0, 60, 2000)
    planned = np.stack([20 * np.cos(along / 5), 20 * np.sin(along / 3), 3 + along / 20], axis=-1)
    wander = np.cumsum(random.normal(size=planned.shape), axis=0) * 0.02
    return planned, planned + wander + random.normal(size=planned.shape) * 0.02


def discrete_in_space(name: str) -> Row:
    """Beside the package that has it in three dimensions."""
    import similaritymeasures

    from asflown.grade.distances import discrete_frechet

    planned, flown = _paths()
    theirs: Work = lambda: similaritymeasures.frechet_dist(planned, flown)  # noqa: E731
    return compared(name, lambda: discrete_frechet(planned, flown), theirs, "similaritymeasures", at_least=10)


def discrete_in_plane(name: str) -> Row:
    """Beside compiled code, which has it in two dimensions."""
    import shapely

    from asflown.grade.distances import discrete_frechet

    planned, flown = (points[:, :2] for points in _paths())
    lines = [shapely.LineString(points) for points in (planned, flown)]
    theirs: Work = lambda: shapely.frechet_distance(*lines)  # noqa: E731
    return compared(name, lambda: discrete_frechet(planned, flown), theirs, "shapely", at_least=1)


def continuous(name: str) -> Row:
    """The distance of the curves themselves."""
    from asflown.grade.free_space import continuous_frechet

    planned, flown = _paths()
    return compared(name, lambda: continuous_frechet(planned, flown), yardstick, YARDSTICK, at_most_s=1.0)


def rules(name: str) -> Row:
    """One hour at 50 Hz: always (x implies eventually within 5 s y), beside rtamt's discrete-time monitor."""
    import numpy as np
    import rtamt

    from asflown.grade.robustness import Robustness, Trace
    from asflown.scenario.formula import Always, Eventually, Implies, Predicate, Term, Window
    from asflown.units import Dimension

    count, step_us = 3600 * 50, 20_000
    number = np.arange(count)
    x, y = np.sin(number / 500), np.cos(number / 300)
    above = [Predicate((Term(name, 1.0),), ">=", 0.5, 1.0, Dimension.LENGTH) for name in ("x", "y")]
    formula = Always(Implies(above[0], Eventually(above[1], Window(0, 250 * step_us))))
    trace = Trace(number * step_us, {"x": x, "y": y})
    monitor = rtamt.StlDiscreteTimeOfflineSpecification()
    monitor.declare_var("x", "float")
    monitor.declare_var("y", "float")
    monitor.spec = "always((x >= 0.5) implies (eventually[0,250](y >= 0.5)))"
    monitor.parse()
    samples = {"time": number.tolist(), "x": x.tolist(), "y": y.tolist()}
    ours: Work = lambda: Robustness(trace).of(formula)  # noqa: E731
    return compared(name, ours, lambda: monitor.evaluate(samples), "rtamt", at_least=10)


def grading(name: str) -> Row:
    """Twenty minutes at 50 Hz, all measures, ten rules, decoding apart."""
    from tests.benchmarks.long_capture import grade_long_flight

    return compared(name, grade_long_flight(20 * 60), yardstick, YARDSTICK, at_most_s=2.0)


def command(name: str) -> Row:
    """The help of the command, in a process of its own."""

    def run(*words: str) -> None:
        subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)

    against = "an interpreter that does nothing"
    return compared(
        name, lambda: run("-m", "asflown", "--help"), lambda: run("-c", "pass"), against, at_most_s=0.3
    )


def alone(name: str, measure: Callable[[str], Row]) -> Bench:
    """A row that is measured by itself."""
    return Bench((name,), lambda: [measure(name)])


GROUPS: dict[str, list[Bench]] = {
    "decoding": [alone("tlog to columns, one hour at 50 Hz", decoding)],
    "distances": [
        alone("discrete Frechet, 3-D, 2 x 2,000 points", discrete_in_space),
        alone("discrete Frechet, 2-D, 2 x 2,000 points", discrete_in_plane),
        alone("continuous Frechet, 3-D, 2 x 2,000 points", continuous),
    ],
    "rules": [alone("temporal logic, one hour at 50 Hz", rules)],
    "grading": [alone("grading 20 min at 50 Hz, all measures, ten rules, decoding apart", grading)],
    "command": [alone("asflown --help", command)],
    "link": bench_flights.link(),
    "vehicle": bench_flights.vehicle(),
    "pace": bench_flights.pace(),
    "campaign": bench_flights.campaign(),
}
"""Groups of rows by the word that chooses them; another room adds its own here."""


def chosen(groups: Sequence[str], words: Sequence[str]) -> list[Bench]:
    """What belongs to one of the groups, and has a row with one of the words in its name; all without either."""
    benches = [bench for name in groups or GROUPS for bench in GROUPS[name]]
    return [
        bench
        for bench in benches
        if not words or any(word.lower() in name.lower() for word in words for name in bench.names)
    ]


def measured(bench: Bench, committed: dict[str, Row] | None) -> list[Row]:
    """Its rows; beside committed ones, what seems worse or is not decided is measured once more: the better counts."""

    def rank(row: Row) -> tuple[bool, bool, float]:
        answer = bench_gate.compare(row, (committed or {}).get(row.name)).answer
        return answer != "worse", answer != "undecided", row.ratio

    rows = bench.measure()
    if all(rank(row)[:2] == (True, True) for row in rows):
        return rows
    print(f"       once more, to be sure: {'; '.join(bench.names)}", flush=True)
    again = {row.name: row for row in bench.measure()}
    return [max(row, again.get(row.name, row), key=rank) for row in rows]


def options_of(parser: argparse.ArgumentParser) -> argparse.Namespace:
    """The command line."""
    add = parser.add_argument
    add("groups", nargs="*", metavar="GROUP", help=f"one of {', '.join(GROUPS)}; all without any")
    add("--rows", nargs="+", default=[], metavar="WORD", help="only rows with such a word in their name")
    add("--json", type=Path, metavar="FILE", help="write the rows as JSON")
    add("--against", type=Path, metavar="FILE", help="compare with the committed figures in FILE")
    add("--renew", type=Path, metavar="FILE", help="put the rows into FILE, to be committed")
    options = parser.parse_args()
    unknown = [name for name in options.groups if name not in GROUPS]
    if unknown:
        parser.error(f"there is no group {unknown[0]}")
    if not chosen(options.groups, options.rows):
        parser.error(f"no row has {' or '.join(options.rows)} in its name")
    return options


def main() -> int:
    """Measures what is chosen, prints it, and compares it where that is asked for."""
    parser = argparse.ArgumentParser(
        prog="ci/bench", description="Measures the targets of the design.",
        epilog="exit codes: 0; with --against 1 when a ratio became worse, 4 when noise hides it; 2 usage",
    )  # fmt: skip
    options = options_of(parser)
    try:
        committed = bench_gate.read(options.against) if options.against is not None else None
    except ValueError as error:
        parser.error(str(error))
    rows: list[Row] = []
    for bench in chosen(options.groups, options.rows):
        for row in measured(bench, committed):
            rows.append(row)
            print(shown(row), flush=True)
    if options.json is not None:
        bench_gate.write(options.json, rows)
    if options.renew is not None:
        bench_gate.renew(options.renew, rows)
    return 0 if committed is None else gate(rows, committed)


def gate(rows: Sequence[Row], committed: dict[str, Row]) -> int:
    """Prints how the rows compare, and returns the exit code."""
    found = [bench_gate.compare(row, committed.get(row.name)) for row in rows]
    print("\nagainst the committed figures:")
    for one in found:
        print(bench_gate.said(one))
    answer, code = bench_gate.verdict(found)
    print(answer)
    return code


if __name__ == "__main__":
    sys.exit(main())

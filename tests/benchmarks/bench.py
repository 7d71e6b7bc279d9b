"""The measured targets: each row against its baseline in the same run, the minimum of alternating repetitions.

`ci/bench [--json FILE] [ROW ...]` runs it. A target that is missed is printed as missed.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

REPETITIONS = 5


@dataclass(frozen=True)
class Row:
    """One measured target. `ratio` is baseline over value; without a baseline the value itself is compared."""

    name: str
    value: float
    unit: str
    baseline: float | None
    against: str
    ratio: float | None
    target: str
    met: bool


def seconds(run: Callable[[], object]) -> float:
    """Wall time of one call."""
    begin = time.perf_counter()
    run()
    return time.perf_counter() - begin


def compared(
    name: str, ours: Callable[[], object], theirs: Callable[[], object], against: str, at_least: float
) -> Row:
    """A row that must be `at_least` so many times as fast as `theirs`; one call of each beforehand warms up."""
    ours(), theirs()
    times = [(seconds(ours), seconds(theirs)) for _ in range(REPETITIONS)]
    value, baseline = (min(column) for column in zip(*times, strict=True))
    ratio = baseline / value
    return Row(name, value, "s", baseline, against, ratio, f">= {at_least:g}x", ratio >= at_least)


def bounded(name: str, ours: Callable[[], object], at_most_s: float) -> Row:
    """A row that must take no longer than `at_most_s`."""
    ours()
    value = min(seconds(ours) for _ in range(REPETITIONS))
    return Row(name, value, "s", None, "wall clock", None, f"<= {at_most_s:g} s", value <= at_most_s)


def decoding() -> list[Row]:
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

        return [compared("tlog to columns, one hour at 50 Hz", ours, theirs, "pymavlink's reader", 20)]


def distances() -> list[Row]:
    """Paths of 2,000 points: a curve in space and the same with a wander and noise."""
    import numpy as np
    import shapely
    import similaritymeasures

    from asflown.grade.distances import discrete_frechet
    from asflown.grade.free_space import continuous_frechet

    random = np.random.default_rng(1)
    along = np.linspace(0, 60, 2000)
    planned = np.stack([20 * np.cos(along / 5), 20 * np.sin(along / 3), 3 + along / 20], axis=-1)
    wander = np.cumsum(random.normal(size=planned.shape), axis=0) * 0.02
    flown = planned + wander + random.normal(size=planned.shape) * 0.02
    flat = [shapely.LineString(points[:, :2]) for points in (planned, flown)]
    return [
        compared(
            "discrete Frechet, 3-D, 2 x 2,000 points",
            lambda: discrete_frechet(planned, flown),
            lambda: similaritymeasures.frechet_dist(planned, flown),
            "similaritymeasures",
            10,
        ),
        compared(
            "discrete Frechet, 2-D, 2 x 2,000 points",
            lambda: discrete_frechet(planned[:, :2], flown[:, :2]),
            lambda: shapely.frechet_distance(*flat),
            "shapely",
            1,
        ),
        bounded("continuous Frechet, 3-D, 2 x 2,000 points", lambda: continuous_frechet(planned, flown), 1.0),
    ]


def rules() -> list[Row]:
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
    return [
        compared(
            "temporal logic, one hour at 50 Hz",
            lambda: Robustness(trace).of(formula),
            lambda: monitor.evaluate(samples),
            "rtamt",
            10,
        )
    ]


def grading() -> list[Row]:
    """Twenty minutes at 50 Hz, all measures, ten rules, decoding apart."""
    from tests.benchmarks.long_capture import grade_long_flight

    twenty = grade_long_flight(20 * 60)
    return [bounded("grading 20 min at 50 Hz, all measures, ten rules, decoding apart", twenty, 2.0)]


def command() -> list[Row]:
    """The help of the command, in a process of its own."""

    def run() -> None:
        subprocess.run([sys.executable, "-m", "asflown", "--help"], check=True, stdout=subprocess.DEVNULL)

    return [bounded("asflown --help", run, 0.3)]


def link() -> list[Row]:
    """The hub's added latency at 5,000 messages a second, medians of alternating runs, beside a bare two-way relay."""
    from statistics import median

    from tests.benchmarks.link_relay import measured

    runs = [[measured(kind, 5_000, 5.0) for kind in ("hub", "relay")] for _ in range(REPETITIONS)]
    lost = sum(hub.lost for hub, _ in runs)
    rows = []
    for name, at_most in (("p50_us", 1.5), ("p99_us", 2.0)):
        value, baseline = (median(getattr(pair[n], name) for pair in runs) * 1e-6 for n in (0, 1))
        met = value <= at_most * baseline and not lost
        what = f"hub latency {name[:3]} at 5,000 messages/s, {lost} lost"
        rows.append(
            Row(what, value, "s", baseline, "a bare UDP relay", baseline / value, f"<= {at_most:g}x", met)
        )
    return rows


def _accelerated() -> Path | None:
    """The folder of the compiled build, if there is one; its rows are left out otherwise, and that is said."""
    from tests.benchmarks.flight_pace import ACCELERATED

    if not ACCELERATED.is_dir():
        print("       no rows for the compiled build: run ci/accelerate first")
        return None
    return ACCELERATED


def vehicle() -> list[Row]:
    """The whole vehicle against bare JSBSim, from its sources and compiled, each in a process of its own."""
    from asflown.sim.airframe import AIRFRAMES

    top = Path(__file__).parents[2]
    builds = [("sources", top / "harness", 0.25), ("compiled", _accelerated(), 0.4)]
    rows = []
    for build, folder, at_least in builds:
        for airframe in AIRFRAMES if folder is not None else ():
            argv = [sys.executable, "-m", "tests.benchmarks.vehicle_share", "--json", "--airframe", airframe]
            environment = {**os.environ, "PYTHONPATH": f"{folder}{os.pathsep}{top}"}
            done = subprocess.run(argv, env=environment, cwd=top, check=True, stdout=subprocess.PIPE)
            found = json.loads(done.stdout)[airframe]
            value, baseline = found["whole vehicle"] * 1e-6, found["bare JSBSim"] * 1e-6
            name = f"step of the whole vehicle {airframe}, {build}"
            ratio = baseline / value
            rows.append(
                Row(name, value, "s", baseline, "bare JSBSim", ratio, f">= {at_least:g}x", ratio >= at_least)
            )
    return rows


def pace() -> list[Row]:
    """Flight seconds for each wall second of nest-boxes: idle and beside two busy processes."""
    from tests.benchmarks.flight_pace import paces

    rows = []
    for build, folder in (("sources", None), ("compiled", _accelerated())):
        for threaded in (False, True) if build == "sources" or folder is not None else ():
            for busy, at_least in ((0, 60.0), (2, 20.0)):
                value = max(paces(threaded=threaded, busy=busy, flights=REPETITIONS, accelerated=folder))
                script = "with a receiving thread" if threaded else "single-threaded"
                beside = f"{busy} busy processes beside" if busy else "idle machine"
                name = f"pace of nest-boxes {script}, {beside}, {build}"
                rows.append(
                    Row(name, value, "x", None, "wall clock", None, f">= {at_least:g}x", value >= at_least)
                )
    return rows


GROUPS: dict[str, Callable[[], list[Row]]] = {
    "decoding": decoding,
    "distances": distances,
    "rules": rules,
    "grading": grading,
    "command": command,
    "link": link,
    "vehicle": vehicle,
    "pace": pace,
}
"""Groups of rows by the word that chooses them; another room adds its own here."""


def shown(row: Row) -> str:
    """One line for a person."""
    beside = "" if row.ratio is None else f"{row.ratio:.2f}x of {row.against} ({row.baseline:.3g} s)"
    return f"{'met   ' if row.met else 'MISSED'} {row.name}: {row.value:.3g} {row.unit}  {beside}  target {row.target}"


def main() -> None:
    """Measures the groups named, or all."""
    parser = argparse.ArgumentParser(prog="ci/bench", description="Measures the targets of the design.")
    parser.add_argument("groups", nargs="*", metavar="GROUP", help=f"one of {', '.join(GROUPS)}")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the rows as JSON")
    options = parser.parse_args()
    unknown = [name for name in options.groups if name not in GROUPS]
    if unknown:
        parser.error(f"there is no group {unknown[0]}")
    rows: list[Row] = []
    for name in options.groups or GROUPS:
        for row in GROUPS[name]():
            rows.append(row)
            print(shown(row), flush=True)
    if options.json is not None:
        options.json.write_text(json.dumps([asdict(row) for row in rows], indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

"""The rows of `ci/bench` that fly or send: hub, whole vehicle, pace, campaign on two processes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import partial
from math import hypot
from pathlib import Path
from statistics import median

from tests.benchmarks.bench_row import (
    REPETITIONS,
    Bench,
    Row,
    row_of_times,
    spread_of_least,
    spread_of_median,
)

TOP = Path(__file__).parents[2]
AIRFRAMES = ("palm80", "field1400")
IDLE_AT_LEAST, LOADED_AT_LEAST = 60.0, 20.0
BUILDS = ("sources", "compiled")


def link() -> list[Bench]:
    """The hub's added latency at 5,000 messages a second, medians of alternating runs, beside a bare two-way relay."""
    names = tuple(f"hub latency {which} at 5,000 messages/s" for which in ("p50", "p99"))
    return [Bench(names, partial(_hub, names))]


def _hub(names: tuple[str, ...]) -> list[Row]:
    from tests.benchmarks.link_relay import P50_AT_MOST, P99_AT_MOST, measured

    runs = [[measured(kind, 5_000, 5.0) for kind in ("hub", "relay")] for _ in range(REPETITIONS)]
    lost = sum(hub.lost for hub, _ in runs)
    rows = []
    for name, field, at_most in zip(names, ("p50_us", "p99_us"), (P50_AT_MOST, P99_AT_MOST), strict=True):
        ours, theirs = ([getattr(pair[n], field) * 1e-6 for pair in runs] for n in (0, 1))
        value, baseline = median(ours), median(theirs)
        spread = hypot(spread_of_median(ours), spread_of_median(theirs))
        met = value <= at_most * baseline and not lost
        against, target = "a bare UDP relay", f"<= {at_most:g} times as long, {lost} lost of 0 allowed"
        ratio = baseline / value
        rows.append(Row(name, value, "s", baseline, against, ratio, spread, REPETITIONS, target, met))
    return rows


def _package(build: str) -> Path | None:
    """The folder of a build's package; None when there is no compiled build of today's sources, which is said."""
    from tests.benchmarks.compiled_build import current

    return current() if build == "compiled" else TOP / "harness"


def vehicle() -> list[Bench]:
    """The whole vehicle against bare JSBSim, from its sources and compiled, each in a process of its own."""
    rows = [
        (f"step of the whole vehicle {airframe}, {build}", airframe, build, at_least)
        for build, at_least in zip(BUILDS, (0.25, 0.4), strict=True)
        for airframe in AIRFRAMES
    ]
    return [Bench((row[0],), partial(_share, *row)) for row in rows]


def _share(name: str, airframe: str, build: str, at_least: float) -> list[Row]:
    package = _package(build)
    if package is None:
        return []
    argv = [sys.executable, "-m", "tests.benchmarks.vehicle_share", "--airframe", airframe]
    environment = {**os.environ, "PYTHONPATH": f"{package}{os.pathsep}{TOP}"}
    command = [*argv, "--pairs", str(REPETITIONS)]
    done = subprocess.run(command, env=environment, cwd=TOP, check=True, stdout=subprocess.PIPE)
    pairs = json.loads(done.stdout)[airframe]
    whole, bare = ([us * 1e-6 for us in column] for column in zip(*pairs, strict=True))
    return [row_of_times(name, whole, bare, "bare JSBSim", at_least=at_least)]


def pace() -> list[Bench]:
    """Flight seconds for each wall second of nest-boxes: idle and beside two busy processes."""
    benches = []
    for build in BUILDS:
        for threaded in (False, True):
            for busy in (0, 2):
                script = "with a receiving thread" if threaded else "single-threaded"
                beside = f"{busy} busy processes beside" if busy else "idle machine"
                name = f"pace of nest-boxes {script}, {beside}, {build}"
                measure = partial(_pace, name, build, busy, threaded=threaded)
                benches.append(Bench((name,), measure))
    return benches


def _pace(name: str, build: str, busy: int, *, threaded: bool) -> list[Row]:
    """The ratio is the share of the bare plant's pace, which was stepped by turns with the flights."""
    from tests.benchmarks.flight_pace import paces

    package = _package(build)
    if package is None:
        return []
    found = paces(threaded=threaded, busy=busy, flights=REPETITIONS, accelerated=package)
    at_least = LOADED_AT_LEAST if busy else IDLE_AT_LEAST
    spread = hypot(spread_of_least(found.flights_s), spread_of_least(found.bare_s))
    against, share = "the bare plant's pace", found.fastest / found.bare
    target, met = f">= {at_least:g} times real time", found.fastest >= at_least
    row = Row(name, found.fastest, "x", found.bare, against, share, spread, REPETITIONS, target, met)
    return [row]


def campaign() -> list[Bench]:
    """How a campaign's flights scale from one process to two, beside pure CPU work in the same run."""
    name = "campaign on two processes"
    return [Bench((name,), lambda: [_scaling(name)])]


def _scaling(name: str) -> Row:
    from tests.benchmarks.campaign_scaling import measured

    found = measured(REPETITIONS)
    against = "the scaling of pure CPU work, both against one core"
    target = f">= 0.9x; against one process on all cores it is {found.beside_one_unpinned:.2f}x"
    return Row(
        name, found.of_flights_on_cores, "times one process", found.of_work_on_cores, against, found.efficiency,
        found.spread, REPETITIONS, target, found.efficiency >= 0.9,
    )  # fmt: skip

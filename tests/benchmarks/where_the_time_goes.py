"""Where the time of a flight goes, before and after: written as harness/docs/where-the-time-goes.md.

    python -m tests.benchmarks.where_the_time_goes [--before REVISION] [--flights N] [--no-paces] [--out FILE]

The one command for a quiet machine, half an hour: besides what follows it measures the wall time of a flight by part
and what holding the script costs (`shim_cost`), and the pace of all demos, idle and with both cores loaded
(`demo_paces`).

Three builds are measured one after the other, each in processes of its own: the sources of REVISION, the sources as
they are, and the compiled build of ci/accelerate, where there is one. A step of the vehicle is timed part by part
(`vehicle_share`). Whole flights of nest-boxes are sampled each millisecond of processor time: a sample counts for the
room whose code runs, or waits for something that it has called. Other work on the machine changes all of this
little; pace is wall time, which it does change.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import Any

TOP = Path(__file__).parents[2]
FILE = TOP / "harness" / "docs" / "where-the-time-goes.md"
BEFORE = "aff5ce7"
"""The last revision before the work on speed."""
SAMPLE_S = 0.001
ROOMS = {
    "sim": "built-in vehicle",
    "vehicle": "built-in vehicle",
    "frames.py": "built-in vehicle",
    "clock": "clock, broker",
    "link": "hub, radio, ports",
    "record": "captures and digest",
    "flight": "conductor, guard, watch",
}
OTHERS = "the rest"


def flights(count: int) -> dict[str, Any]:
    """Flies nest-boxes so many times in this process, sampled; milliseconds of a flight by room, and the pace."""
    import asflown
    from asflown.flight import conductor
    from asflown.flight.plan import FlightPlan
    from asflown.scenario.file import load_scenario
    from asflown.scenario.vehicle_file import load_vehicle

    package = f"{Path(asflown.__file__).parent}{os.sep}"
    samples: Counter[str] = Counter()

    def sample(_number: int, frame: FrameType | None) -> None:
        while frame is not None and not frame.f_code.co_filename.startswith(package):
            frame = frame.f_back
        room = "" if frame is None else Path(frame.f_code.co_filename.removeprefix(package)).parts[0]
        samples[ROOMS.get(room, OTHERS)] += 1

    (file,) = (TOP / "scenarios" / "nest_boxes").glob("*.scenario.yaml")
    loaded = load_scenario(file)
    assert loaded.scenario.vehicle is not None
    vehicle = load_vehicle(loaded.scenario.vehicle, loaded.folder)
    signal.signal(signal.SIGPROF, sample)
    paces, seconds = [], 0.0
    with tempfile.TemporaryDirectory(prefix="asflown-flights-") as keep:
        conductor.fly(FlightPlan(loaded, vehicle, 1, "lockstep", Path(keep)), lambda _: None)
        samples.clear()
        children = resource.getrusage(resource.RUSAGE_CHILDREN)
        own = resource.getrusage(resource.RUSAGE_SELF)
        signal.setitimer(signal.ITIMER_PROF, SAMPLE_S, SAMPLE_S)
        for seed in range(1, count + 1):
            done = conductor.fly(FlightPlan(loaded, vehicle, seed, "lockstep", Path(keep)), lambda _: None)
            assert done.manifest.outcome == "completed", done.manifest.problem
            paces.append(done.manifest.clock.pace or 0.0)
            seconds += done.manifest.flight_time_s or 0.0
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        used = resource.getrusage(resource.RUSAGE_SELF)
        later = resource.getrusage(resource.RUSAGE_CHILDREN)
    total_ms = 1e3 * (used.ru_utime + used.ru_stime - own.ru_utime - own.ru_stime) / count
    script_ms = 1e3 * (later.ru_utime + later.ru_stime - children.ru_utime - children.ru_stime) / count
    shares = {room: total_ms * hits / samples.total() for room, hits in samples.items()}
    return {
        "rooms": shares,
        "harness": total_ms,
        "script": script_ms,
        "pace": paces,
        "seconds": seconds / count,
    }


def steps() -> dict[str, dict[str, float]]:
    """The parts of a step in microseconds, by airframe."""
    from asflown.sim.airframe import AIRFRAMES
    from tests.benchmarks.vehicle_share import measured

    return {airframe: measured(airframe) for airframe in AIRFRAMES}


def measure(package_folder: Path, count: int) -> dict[str, Any]:
    """What a build with its package in `package_folder` takes, measured in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": f"{package_folder}{os.pathsep}{TOP}"}
    argv = [sys.executable, "-m", __spec__.name, "--measure", str(count)]
    done = subprocess.run(argv, env=environment, cwd=TOP, check=True, stdout=subprocess.PIPE, text=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def sources_of(revision: str, folder: Path) -> Path:
    """The package folder of an earlier revision."""
    archive = subprocess.run(
        ["git", "archive", revision, "harness"], cwd=TOP, check=True, stdout=subprocess.PIPE
    )
    subprocess.run(["tar", "--extract", "--directory", str(folder)], input=archive.stdout, check=True)
    return folder / "harness"


def _row(cells: list[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _number(values: dict[str, float], name: str, digits: int) -> str:
    return f"{values[name]:.{digits}f}" if name in values else "–"


def step_table(builds: dict[str, dict[str, Any]], airframe: str) -> list[str]:
    """Microseconds of a step by part, one column for each build."""
    columns = [build["steps"][airframe] for build in builds.values()]
    names = list(columns[0])
    lines = [_row([f"{airframe}: one step of 2.5 ms, µs", *builds]), _row(["---"] + ["---:"] * len(builds))]
    lines += [_row([name, *(_number(column, name, 2) for column in columns)]) for name in names]
    share = [f"**{column['bare JSBSim'] / column['whole vehicle']:.2f}**" for column in columns]
    return [*lines, _row(["**share of bare JSBSim**", *share]), ""]


def flight_table(builds: dict[str, dict[str, Any]]) -> list[str]:
    """Milliseconds of processor time for one flight by room."""
    columns = [build["flights"] for build in builds.values()]
    rooms = [*dict.fromkeys(ROOMS.values()), OTHERS]
    lines = [
        _row([f"nest-boxes, {columns[0]['seconds']:.0f} s of flight, ms of processor time", *builds]),
        _row(["---"] + ["---:"] * len(builds)),
    ]
    lines += [_row([room, *(_number(column["rooms"], room, 0) for column in columns)]) for room in rooms]
    lines.append(_row(["**harness in all**", *(f"**{column['harness']:.0f}**" for column in columns)]))
    lines.append(_row(["the script's own process", *(f"{column['script']:.0f}" for column in columns)]))
    lines.append(_row(["fastest pace", *(f"{max(column['pace']):.0f}x" for column in columns)]))
    return [*lines, ""]


HEAD = """# Where the time goes

Made by `python -m tests.benchmarks.where_the_time_goes` on {machine}; measure again with it, after `ci/accelerate`.
*Before* is revision {before}, *now* the sources, *compiled* the same with the vehicle and the way of frames
compiled by mypyc (`ci/accelerate`). Steps: the least of several repetitions, tick by tick over a second of flight.
Flights: the mean processor time of {flights}. Both change little when the machine does other work, as it may have
done here; the pace, in wall time, changes much (`ci/bench vehicle pace` measures the targets on a quiet machine).

The vehicle's share is the time of a bare JSBSim step of the same airframe over that of the whole vehicle: physics,
sensors, estimator, control and encoded telemetry. Parts are timed apart, in loops of their own; inside a tick they
take somewhat longer, since each finds the processor's caches full of the others, and what that costs is in the row
*slower sensors, publishing, battery, loop*.
"""

WALL = """## Waiting, and what holding a script costs

Wall time of one flight, from samples each millisecond. While the harness waits, the script computes: its own processor
time is below, by who is innermost. *shim* is what holding it costs. A script by wall time, without the shim, takes
messages one by one as they come, where a held one finds all that have come: its pymavlink part is another one, too.
"""

PACES = """## The pace of the demos

Flight seconds for each wall second, from spawning the script to the folder closed, the fastest of {flights} flights;
in brackets the share of the bare plant, stepped through the same time by turns. Targets, for nest-boxes: 60x idle, 20x
with both cores loaded; the other demos are held against them, too.
"""

TAIL = """While a script waits in lockstep, the harness computes; while the script computes, the harness
lives ahead as far as no frame can reach the vehicle any more (two ticks behind `sub-ghz-telemetry`). What
no work on the harness can shorten is the script's start: an interpreter that imports pymavlink
takes about a quarter of a second, a fifth of the wall time of such a flight.

A compiled vehicle gives the same bytes as its sources (`tests/flights/test_accelerated.py` flies both), because it does
the same operations on the same doubles, and the compiler may not contract them. Its fingerprint differs all the same:
the manifest says `accelerated`, and digests are compared only where fingerprints are equal.
"""


def page(builds: dict[str, dict[str, Any]], before: str, count: int, held: str, paces: str) -> str:
    """The whole page."""
    machine = f"{platform.machine()}, {os.cpu_count()} processors, CPython {platform.python_version()}"
    lines = [HEAD.format(machine=machine, before=before, flights=count), "## One step of the vehicle", ""]
    for airframe in next(iter(builds.values()))["steps"]:
        lines += step_table(builds, airframe)
    lines += ["## One flight", "", *flight_table(builds), WALL, held, ""]
    lines += [PACES.format(flights=count), paces, ""] if paces else []
    lines.append(TAIL)
    return "\n".join(lines)


def main() -> None:
    """Measures all builds and writes the page."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--before", default=BEFORE, metavar="REVISION")
    parser.add_argument("--flights", type=int, default=5, metavar="N")
    parser.add_argument(
        "--no-paces", action="store_true", help="without the pace of all demos, which takes longest"
    )
    parser.add_argument("--out", type=Path, default=FILE, metavar="FILE")
    parser.add_argument("--measure", type=int, metavar="N", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure is not None:
        print(json.dumps({"steps": steps(), "flights": flights(options.measure)}))
        return
    from tests.benchmarks import (
        compiled_build,
        demo_paces,
        shim_cost,
    )  # not with the package of an old revision

    with tempfile.TemporaryDirectory(prefix="asflown-before-") as folder:
        builds = {"before": measure(sources_of(options.before, Path(folder)), options.flights)}
    builds["now"] = measure(TOP / "harness", options.flights)
    held = {"now": shim_cost.measured(TOP / "harness", options.flights, paced=True)}
    compiled = compiled_build.current()
    if compiled is not None:
        builds["compiled"] = measure(compiled, options.flights)
        held["compiled"] = shim_cost.measured(compiled, options.flights, paced=True)
    paces = "" if options.no_paces else demo_paces.measured(options.flights)
    text = page(builds, options.before, options.flights, shim_cost.tables(held), paces)
    options.out.write_text(text, encoding="utf-8")
    print(f"{options.out} written")


if __name__ == "__main__":
    main()

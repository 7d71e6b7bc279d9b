"""How regular the physics of a bench are: 250 Hz for five minutes, with an idle machine and with one busy core.

    .venv/bin/python -m tests.benchmarks.bench_beats                 both, eleven minutes
    .venv/bin/python -m tests.benchmarks.bench_beats --seconds 20    shorter, to try it
    .venv/bin/python -m tests.benchmarks.bench_beats --write         puts the table into harness/docs/bench.md

A whole flight by the command: field1400 on a bench of two pseudo terminals hovers for the time asked for, graded; the
figures come from its manifest. For a quiet machine: whatever else runs is measured, too.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from asflown.record.manifest import read as read_manifest
from tests.flights.benches import rig
from tests.flights.flying import HELLO, fly, write_scenario
from tests.flights.test_bench import SCRIPT

GUIDE = Path(__file__).parents[2] / "harness" / "docs" / "bench.md"
BEGIN, END = "<!-- table: begin -->\n", "<!-- table: end -->\n"
GUARD = "guard: {height: 20 m, distance: 40 m, battery: 10 %}\n"
HOVER = "end = time.monotonic() + {seconds}\nwait(lambda m: time.monotonic() > end)\ncommand(21)\n"
FLIGHT_S = 60.0
"""What take-off, landing and patience take beside the hover."""


@contextmanager
def busy_core() -> Iterator[None]:
    """Somebody who computes all the time, at the usual priority."""
    with subprocess.Popen([sys.executable, "-c", "while True: pass"]) as process:
        try:
            yield
        finally:
            process.kill()


@contextmanager
def idle() -> Iterator[None]:
    """Nobody."""
    yield


def beats_of(seconds: float) -> dict[str, Any]:
    """Flies once, and gives what the manifest says of the physics' beats."""
    script = HELLO + SCRIPT.replace("command(21)\n", HOVER.format(seconds=seconds))
    with tempfile.TemporaryDirectory(prefix="asflown-bench-") as name:
        folder = Path(name)
        scenario = write_scenario(folder, script, time_limit=f"{seconds + FLIGHT_S} s", more=GUARD)
        with rig(folder, "field1400") as file:
            flown = fly(folder, scenario, "--vehicle", file, timeout_s=2 * seconds + 300)
        manifests = [read_manifest(each) for each in flown.folders]
        (manifest,) = [each for each in manifests if each.vehicle.kind == "bench"]
        if flown.exit_code != 0:
            sys.stderr.write(flown.says() + "\n")
        beats: dict[str, Any] = manifest.vehicle.facts["physics_beats"]
        return {**beats, "flight_s": manifest.flight_time_s, "exit_code": flown.exit_code}


def rows(seconds: float) -> Iterator[str]:
    """The table as Markdown."""
    yield "| machine | flight | beats | p50 | p99 | worst | overruns | scheduling | verdict |\n"
    yield "|---|---|---|---|---|---|---|---|---|\n"
    cores = os.cpu_count() or 1
    for words, load in ((f"idle, {cores} cores", idle), (f"one of {cores} cores busy", busy_core)):
        with load():
            found = beats_of(seconds)
        verdict = "pass" if found["exit_code"] == 0 else f"exit code {found['exit_code']}"
        times = " | ".join(
            f"{found[f'period_us_{which}'] / 1000:.3f} ms" for which in ("p50", "p99", "worst")
        )
        yield (
            f"| {words} | {found['flight_s']:.0f} s | {found['count']} | {times} | {found['overruns']} "
            f"| {found['scheduling']} | {verdict} |\n"
        )


def main() -> int:
    """Prints the table, or writes it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    table = "".join(rows(options.seconds))
    print(table, end="")
    if options.write:
        before, _, rest = GUIDE.read_text(encoding="utf-8").partition(BEGIN)
        _, _, after = rest.partition(END)
        GUIDE.write_text(before + BEGIN + table + END + after, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

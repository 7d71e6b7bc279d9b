"""Runs the quick suite again and again under hard conditions: what fails in one run and not in another is flaky.

    python -m tests.benchmarks.flaky_tests --state FILE [--runs 20] [--at-once 2] [--minutes 9] [--page]

Half of the runs are pinned to one core each, two side by side; the others go --at-once with four busy processes beside
them. Each has a hash seed of its own. Every finished run is noted in FILE, so the command goes on where it was, and
after --minutes begins no further one. The suite is everything not marked slow. Exit code 1 when a test failed in
any run; what is flaky failed in some and passed in others, and is named with the runs. --page puts the table into
tests/README.md.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from tests.benchmarks.page import put, table
from tests.flights.test_lockstep import busy_machine

TOP = Path(__file__).parents[2]
PINNED, BESIDE = "pinned to one core", "beside four busy processes"


def run(number: int, core: int | None) -> dict[str, Any]:
    """One run of the quick suite, on one core or on all: seconds, how many tests, and which failed in which words."""
    with tempfile.TemporaryDirectory(prefix="asflown-flaky-") as name:
        report = Path(name) / "report.xml"
        argv = [sys.executable, "-m", "pytest", "-m", "not slow", "-q", "-p", "no:cacheprovider"]
        argv += [f"--junitxml={report}", "-n", "2" if core is None else "0"]
        if core is not None:
            argv = ["taskset", "--cpu-list", str(core), *argv]
        environment = {**os.environ, "PYTHONHASHSEED": str(number)}
        began = time.monotonic()
        done = subprocess.run(argv, cwd=TOP, env=environment, capture_output=True, text=True, check=False)
        seconds = time.monotonic() - began
        if not report.exists():
            sys.exit(f"{' '.join(argv)} gave {done.returncode} and no report:\n{done.stdout}{done.stderr}")
        cases = list(ET.parse(report).iter("testcase"))
    failed = {
        f"{case.get('classname')}::{case.get('name')}": f"{found.get('message')}\n{found.text}"
        for case in cases
        for found in (case.find("failure"), case.find("error"))
        if found is not None
    }
    where = BESIDE if core is None else PINNED
    return {"run": number, "where": where, "seconds": seconds, "tests": len(cases), "failed": failed}


def next_runs(done: list[dict[str, Any]], runs: int, at_once: int) -> Sequence[tuple[int, int | None]]:
    """Those that run at the same time now: pinned ones first, each with its core; none when all is done."""
    known = {entry["run"] for entry in done}
    pinned = [number for number in range(1, runs // 2 + 1) if number not in known]
    if pinned:
        cores = sorted(os.sched_getaffinity(0))[:2]
        return list(zip(pinned, cores, strict=False))
    return [(number, None) for number in range(runs // 2 + 1, runs + 1) if number not in known][:at_once]


def told(done: list[dict[str, Any]]) -> str:
    """What was found, in Markdown."""
    rows = []
    for where in (PINNED, BESIDE):
        some = [entry for entry in done if entry["where"] == where]
        if some:
            seconds = sorted(entry["seconds"] for entry in some)
            clean = sum(not entry["failed"] for entry in some)
            tests = max(entry["tests"] for entry in some)
            cells = [f"{len(some)}", f"{tests}", f"{clean}", f"{seconds[0]:.0f} to {seconds[-1]:.0f} s"]
            rows.append([where, *cells])
    lines = [table(["the quick suite", "runs", "tests", "without a failure", "wall time"], rows), ""]
    failed = sorted({test for entry in done for test in entry["failed"]})
    lines += [f"- `{test}` failed in {_runs_of(test, done)} of {len(done)} runs" for test in failed]
    return "\n".join(lines)


def _runs_of(test: str, done: list[dict[str, Any]]) -> int:
    return sum(test in entry["failed"] for entry in done)


def main() -> int:
    """Goes on with the runs, and prints what is known."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "--state", type=Path, required=True, help="where finished runs are noted, a line each"
    )
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--at-once", type=int, default=2, help="runs beside the same busy processes")
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    state: Path = options.state
    done = [json.loads(line) for line in state.read_text().splitlines()] if state.exists() else []
    until = time.monotonic() + 60 * options.minutes
    while (batch := next_runs(done, options.runs, options.at_once)) and time.monotonic() < until:
        beside = busy_machine() if batch[0][1] is None else contextlib.nullcontext()
        with beside, ThreadPoolExecutor(len(batch)) as pool:
            for entry in pool.map(lambda one: run(*one), batch):
                done.append(entry)
                with state.open("a") as file:
                    file.write(json.dumps(entry) + "\n")
                print(
                    f"run {entry['run']}: {entry['seconds']:.0f} s, failed: {list(entry['failed'])}",
                    flush=True,
                )
    print(told(done))
    if options.page:
        put("../../tests/README.md", "flaky_tests.py", told(done))
    return int(any(entry["failed"] for entry in done))


if __name__ == "__main__":
    sys.exit(main())

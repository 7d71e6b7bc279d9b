"""How much faster than real time all demo scenarios are: idle and with both cores loaded, sources and compiled.

    python -m tests.benchmarks.demo_paces [--flights 5] [--only NAME ...]

Seeds from 1 on, after one flight that warms up; the fastest counts. In brackets its share of the bare plant, which is
stepped through the same flight time by turns. The targets are for nest-boxes; the others are held against them, too.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from pathlib import Path

from tests.benchmarks import compiled_build
from tests.benchmarks.bench_flights import IDLE_AT_LEAST, LOADED_AT_LEAST
from tests.benchmarks.demo_flights import DEMOS
from tests.benchmarks.flight_pace import Paces, paces
from tests.benchmarks.page import table

HEADS = ["scenario", "flight", "sources, idle", "cores loaded", "compiled, idle", "cores loaded"]


def told(found: Paces, at_least: float) -> str:
    """The pace, its share of the bare plant, and whether the target is met."""
    missed = "" if found.fastest >= at_least else ", missed"
    return f"{found.fastest:.0f}x ({found.fastest / found.bare:.2f}){missed}"


def row(demo: str, flights: int, builds: Sequence[Path | None]) -> list[str]:
    """One scenario."""
    cells, time_s = [], 0.0
    for build in builds:
        for busy, at_least in ((0, IDLE_AT_LEAST), (os.cpu_count() or 1, LOADED_AT_LEAST)):
            found = paces(demo, busy=busy, flights=flights, accelerated=build)
            time_s = found.flight_time_s
            cells.append(told(found, at_least))
    line = [demo.replace("_", "-"), f"{time_s:.0f} s", *cells]
    print(" | ".join(line), flush=True)
    return line


def measured(flights: int, demos: Sequence[str] = tuple(DEMOS)) -> str:
    """The table; without the compiled build where there is none of today's sources."""
    compiled = compiled_build.current()
    builds = [None] if compiled is None else [None, compiled]
    rows = [row(demo, flights, builds) for demo in demos]
    return table(HEADS[: 2 + 2 * len(builds)], rows)


def main() -> None:
    """Measures and prints."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flights", type=int, default=5)
    parser.add_argument("--only", nargs="+", choices=list(DEMOS), default=list(DEMOS), metavar="NAME")
    options = parser.parse_args()
    print(measured(options.flights, options.only))


if __name__ == "__main__":
    main()

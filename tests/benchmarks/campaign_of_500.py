"""500 flights of nest-boxes on two processes: wall time, scaling, memory, and the same bytes as one by one.

    python -m tests.benchmarks.campaign_of_500 [--flights 500] [--alone 500] [--pinned 30] [--page]

The campaign is flown as `asflown campaign --workers 2` does, with its results on disk. Then the first `--alone` of the
same flights are flown one after the other in this process, and the first `--pinned` on one core. Pure CPU work is
measured on one process, on two, and on one core, before, between and after.

Parallel efficiency, defined against the time on one processor: how many times as many flights two processes fly as one
on one core, over how many times as much work they do. The same against one process on all cores, where harness and
script overlap, is printed beside, with what such a process occupies. Exit code 1 when a flight is lost, a digest
differs, a process grew by more than 8 MiB, or the efficiency is below 0.9. With --page the result goes into
harness/docs/campaigns.md.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from asflown.campaign.campaign import fly_campaign
from asflown.campaign.executor import Local
from asflown.campaign.flying import Outcome
from asflown.campaign.store import Store
from asflown.scenario.file import LoadedScenario
from tests.benchmarks.campaign_scaling import flown, one_core, per_piece_s, tasks_of, windy
from tests.benchmarks.page import put, table
from tests.benchmarks.resources import HEADS, Watched, timed, watched

GROWTH_AT_MOST_MIB = 8.0
EFFICIENCY_AT_LEAST = 0.9


@dataclass(frozen=True)
class Campaign:
    """What was found."""

    flights: dict[int, Outcome]
    wall_s: float
    use: Watched
    alone: dict[int, Outcome]
    alone_s: float
    alone_cpu_s: float
    pinned_s: float
    """A flight, one after the other on one core."""
    work_s: tuple[list[float], list[float], list[float]]
    """On one process, on two, and on one that is pinned to one core."""

    @property
    def same(self) -> int:
        """How many digests are the same."""
        return sum(self.flights[n].digest == one.digest != "" for n, one in self.alone.items())

    @property
    def of_work(self) -> float:
        """How many times as much work two processes do."""
        return min(self.work_s[0]) / min(self.work_s[1])

    @property
    def of_flights(self) -> float:
        """How many times as many flights."""
        return (self.alone_s / len(self.alone)) / (self.wall_s / len(self.flights))

    @property
    def of_flights_on_cores(self) -> float:
        """How many times as many flights as one process on one core."""
        return self.pinned_s / (self.wall_s / len(self.flights))

    @property
    def of_work_on_cores(self) -> float:
        """How many times as much work as one process on one core."""
        return min(self.work_s[2]) / min(self.work_s[1])

    @property
    def efficiency(self) -> float:
        """The one over the other, both against one core."""
        return self.of_flights_on_cores / self.of_work_on_cores

    @property
    def cores_of_one(self) -> float:
        """How many cores one flight after the other occupies: processor time over wall time."""
        return self.alone_cpu_s / self.alone_s

    @property
    def well(self) -> bool:
        """Whether all is as it should be."""
        flown = all(one.verdict != "error" for one in self.flights.values())
        flat = self.use.growth_mib <= GROWTH_AT_MOST_MIB
        return flown and self.same == len(self.alone) and flat and self.efficiency >= EFFICIENCY_AT_LEAST


def measured(count: int, alone: int, pinned: int) -> Campaign:
    """Flies everything."""
    work: tuple[list[float], list[float], list[float]] = ([], [], [])

    def measure_work() -> None:
        for _ in range(2):
            for workers in (1, 2):
                work[workers - 1].append(per_piece_s(workers))
            with one_core():
                work[2].append(per_piece_s(1))

    with windy(count) as loaded, tempfile.TemporaryDirectory() as folder:
        measure_work()
        flights: dict[int, Outcome] = {}
        with watched() as use:
            wall_s = timed(lambda: flights.update(_campaign(loaded, Path(folder) / "kept")))
        measure_work()
        one_by_one: dict[int, Outcome] = {}
        cpu_s = _cpu_s()
        alone_s = timed(lambda: one_by_one.update(_one_by_one(loaded, alone)))
        cpu_s = _cpu_s() - cpu_s
        with one_core():
            pinned_s = timed(lambda: _one_by_one(loaded, pinned)) / pinned
        measure_work()
    return Campaign(flights, wall_s, use, one_by_one, alone_s, cpu_s, pinned_s, work)


def _campaign(loaded: LoadedScenario, kept: Path) -> dict[int, Outcome]:
    return fly_campaign(loaded, "palm80", Local(2), Store(kept), seen=_progress)


def _progress(outcome: Outcome) -> None:
    if outcome.number % 50 == 0:
        print(f"flight {outcome.number}: {outcome.verdict}", file=sys.stderr, flush=True)


def _one_by_one(loaded: LoadedScenario, count: int) -> dict[int, Outcome]:
    return {one.number: one for one in flown(loaded, 1, tasks_of(loaded, count))}


def _cpu_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def told(found: Campaign) -> str:
    """For the page."""
    count, alone = len(found.flights), len(found.alone)
    verdicts = ", ".join(
        f"{n} {word}" for word, n in Counter(o.verdict for o in found.flights.values()).most_common()
    )
    bound = (os.cpu_count() or 1) / max(1.0, found.cores_of_one)
    rows = [
        ["flights", f"{count} on 2 processes: {verdicts}"],
        ["wall time", f"{found.wall_s:.0f} s, {found.wall_s / count:.2f} s a flight"],
        [f"the first {alone} one by one", f"{found.alone_s:.0f} s, {found.alone_s / alone:.2f} s a flight"],
        ["same digest as one by one", f"{found.same} of {alone}"],
        ["one by one on one core", f"{found.pinned_s:.2f} s a flight"],
        ["against one core, two processes fly", f"{found.of_flights_on_cores:.2f} times as many"],
        ["and do of pure CPU work", f"{found.of_work_on_cores:.2f} times as much"],
        ["parallel efficiency", f"{found.efficiency:.2f} (target {EFFICIENCY_AT_LEAST:g})"],
        ["against one process on all cores, two fly", f"{found.of_flights:.2f} times as many"],
        ["and do of pure CPU work", f"{found.of_work:.2f} times as much"],
        ["that is", f"{found.of_flights / found.of_work:.2f} of it"],
        ["cores that one flight at a time occupies", f"{found.cores_of_one:.2f}"],
        [f"so {os.cpu_count()} cores can fly at most", f"{bound:.2f} times as many"],
    ]
    return "\n\n".join([table(["what", "found"], rows), table(HEADS, found.use.rows())])


def main() -> None:
    """Flies, prints, and puts it on the page."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flights", type=int, default=500)
    parser.add_argument("--alone", type=int, help="how many are flown one by one as well (all)")
    parser.add_argument(
        "--pinned", type=int, default=30, help="how many are flown one by one on one core (30)"
    )
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    found = measured(options.flights, options.alone or options.flights, min(options.pinned, options.flights))
    print(told(found))
    if options.page:
        put("campaigns.md", "campaign_of_500.py", told(found))
    sys.exit(0 if found.well else 1)


if __name__ == "__main__":
    main()

"""How much a second process adds: to the flights of a campaign, and to pure CPU work in the same run.

    python -m tests.benchmarks.campaign_scaling [--repetitions 5]

One process of a campaign is one flight at a time: the harness and the script's interpreter, which take turns. While the
script computes, the harness lives some ticks ahead, so that one flight may occupy more than one core at moments;
`cores of one flight` says how many on average (processor time of both over wall time). Two flights at a time can
not scale beyond the machine's cores over that number, which is printed beside.

Parallel efficiency is defined against the time on one processor, so one process is measured both ways: pinned to one
core with all it starts, which the target is judged by, and free to use both, which is printed beside.

By turns: work on one process, flights on one, work on two, flights on two. Flights are timed from the end of the first
ones, when all workers are warm, to the end of a fixed number, with more still waiting, so that neither the start of
processes nor the last flight alone counts; the best of the repetitions counts.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import tempfile
from collections.abc import Generator, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from math import hypot
from pathlib import Path
from time import perf_counter

from asflown.campaign.crew import work_through
from asflown.campaign.executor import Local
from asflown.campaign.flying import Outcome, Task
from asflown.campaign.plan import drawn
from asflown.scenario.file import LoadedScenario, load_scenario
from tests.benchmarks.bench_row import spread_of_least

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CAMPAIGN = """\
extends: nest-boxes.scenario.yaml
name: windy
campaign:
  flights: {flights}
  vary:
    conditions.wind.speed: {{uniform: [0 m/s, 4 m/s]}}
    conditions.wind.from: {{uniform: [0 deg, 360 deg]}}
"""
PIECES, FLIGHTS = 12, 6


@dataclass(frozen=True)
class Scaling:
    """Seconds for one piece of work and for one flight, on one process and on two, each repetition."""

    work_s: tuple[list[float], list[float]]
    flight_s: tuple[list[float], list[float]]
    cores_of_one_flight: float
    on_one_core_s: tuple[list[float], list[float]]
    """A piece of work and a flight, on one process that is pinned to one core."""

    @property
    def of_work(self) -> float:
        """How many times as much two processes do."""
        return min(self.work_s[0]) / min(self.work_s[1])

    @property
    def of_flights(self) -> float:
        """How many times as many flights two processes fly."""
        return min(self.flight_s[0]) / min(self.flight_s[1])

    @property
    def efficiency(self) -> float:
        """The scaling of flights as a share of that of work, both against one core."""
        return self.of_flights_on_cores / self.of_work_on_cores

    @property
    def of_work_on_cores(self) -> float:
        """How many times as much work two processes do as one on one core."""
        return min(self.on_one_core_s[0]) / min(self.work_s[1])

    @property
    def of_flights_on_cores(self) -> float:
        """How many times as many flights two processes fly as one on one core."""
        return min(self.on_one_core_s[1]) / min(self.flight_s[1])

    @property
    def beside_one_unpinned(self) -> float:
        """The same against one process that may use all cores: flights overlap harness and script there."""
        return self.of_flights / self.of_work

    @property
    def spread(self) -> float:
        """How well the efficiency is known."""
        times = (self.work_s[1], self.flight_s[1], *self.on_one_core_s)
        return hypot(*(spread_of_least(one) for one in times))


@contextmanager
def one_core() -> Iterator[None]:
    """This thread, and what it starts, on one core."""
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(before)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


@contextmanager
def windy(flights: int) -> Iterator[LoadedScenario]:
    """A folder with nest-boxes and a campaign of it."""
    with tempfile.TemporaryDirectory(prefix="asflown-campaign-") as name:
        place = Path(shutil.copytree(SCENARIOS / "nest_boxes", Path(name) / "demo"))
        file = place / "windy.scenario.yaml"
        file.write_text(CAMPAIGN.format(flights=flights), encoding="utf-8")
        yield load_scenario(file)


def tasks_of(loaded: LoadedScenario, flights: int) -> list[Task]:
    """The first flights of its campaign, which leave nothing behind."""
    assert loaded.scenario.campaign is not None
    planned = drawn(loaded.scenario.campaign, loaded.scenario.name)[:flights]
    keep = loaded.folder.parent / "flights"
    return [Task(one, loaded.file.resolve(), "palm80", "lockstep", keep, "none") for one in planned]


def piece(_task: int, _tell: object) -> float:
    """Pure CPU work in the interpreter, about a quarter of a second."""
    total = 0.0
    for number in range(4_000_000):
        total += number * 0.5
    return total


def per_piece_s(workers: int) -> float:
    """Seconds for one piece, when `workers` do such work."""
    return _rate(work_through(range(10_000), workers, piece, lost=lambda *_: 0.0), workers, PIECES)


def per_flight_s(loaded: LoadedScenario, workers: int) -> float:
    """Seconds for one flight, when `workers` fly."""
    tasks = tasks_of(loaded, 3 * workers + FLIGHTS)
    return _rate(flown(loaded, workers, tasks), workers, FLIGHTS)


def flown(loaded: LoadedScenario, workers: int, tasks: list[Task]) -> Generator[Outcome]:
    """The flights of tasks as they end. Raises RuntimeError for one that could not be flown."""
    with closing(Local(workers).run(tasks)) as outcomes:
        for outcome in outcomes:
            if outcome.verdict == "error":
                raise RuntimeError(f"{loaded.file} could not be flown: {outcome.reason}")
            yield outcome


def _rate(results: Generator[object], warm: int, count: int) -> float:
    """Seconds for each of `count` results after the first `warm`; the rest is not waited for."""
    with closing(results):
        for _ in range(warm):
            next(results)
        begin = perf_counter()
        for _ in range(count):
            next(results)
        return (perf_counter() - begin) / count


def cores_of_one_flight(loaded: LoadedScenario) -> float:
    """Processor time of harness and script over wall time, of flights one after the other in this process."""
    flights = flown(loaded, 1, tasks_of(loaded, 4))
    next(flights)
    begin, cpu_s = perf_counter(), _cpu_s()
    for _ in flights:
        pass
    return (_cpu_s() - cpu_s) / (perf_counter() - begin)


def _cpu_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def measured(repetitions: int) -> Scaling:
    """By turns, so many times."""
    work: tuple[list[float], list[float]] = ([], [])
    flights: tuple[list[float], list[float]] = ([], [])
    on_one: tuple[list[float], list[float]] = ([], [])
    with windy(3 * 2 + FLIGHTS) as loaded:
        cores = cores_of_one_flight(loaded)
        for _ in range(repetitions):
            for workers in (1, 2):
                work[workers - 1].append(per_piece_s(workers))
                flights[workers - 1].append(per_flight_s(loaded, workers))
            with one_core():
                on_one[0].append(per_piece_s(1))
                on_one[1].append(per_flight_s(loaded, 1))
    return Scaling(work, flights, cores, on_one)


def told(found: Scaling) -> str:
    """In words."""
    bound = (os.cpu_count() or 1) / max(1.0, found.cores_of_one_flight)
    return (
        f"against one process on one core, two processes do {found.of_work_on_cores:.2f} times the pure CPU work and"
        f" {found.of_flights_on_cores:.2f} times the flights: {found.efficiency:.2f} of it. Against one process on all"
        f" cores: {found.of_work:.2f} times the work, {found.of_flights:.2f} times the flights,"
        f" {found.beside_one_unpinned:.2f} of it; a flight occupies {found.cores_of_one_flight:.2f} cores there, so"
        f" {os.cpu_count()} cores could fly {bound:.2f} times as many at most."
    )


def main() -> None:
    """Measures and prints."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--repetitions", type=int, default=5)
    print(told(measured(parser.parse_args().repetitions)))


if __name__ == "__main__":
    main()

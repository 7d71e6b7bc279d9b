"""The machinery of a campaign over 10,000 flights: memory and descriptors by count, and what waits for whom.

    python -m tests.benchmarks.campaign_soak [--flights 10000] [--cluster] [--page]

What flies here is a stand-in: a worker makes up an outcome as large as a real one, at once. Everything else is real:
the plan, two worker processes (with --cluster: a Dask scheduler and two workers), the results on disk, each flushed.
So this says what the campaign itself keeps; what flights leave behind in a worker is shown by `campaign_of_500`.

Back-pressure: a reader that takes its time. How many flights are handed out ahead of what it has taken must stay at
the number of workers and one (on a cluster, two for each thread), however many wait. Exit code 1 when a process grew by
more than 4 MiB from the first quarter to the last, descriptors grew, or more was handed out.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic, sleep
from typing import overload

from asflown.campaign.campaign import fly_campaign
from asflown.campaign.crew import work_through
from asflown.campaign.dask_cluster import Cluster, Parcel
from asflown.campaign.flying import Outcome, Task, lost
from asflown.campaign.store import Store
from tests.benchmarks.campaign_scaling import tasks_of, windy
from tests.benchmarks.page import put, table
from tests.benchmarks.resources import HEADS, Watched
from tests.unit.campaign.cluster import Processes

GROWTH_AT_MOST_MIB = 4.0
LOOKS = 200
SLOW_READER = 60


def made_up(task: Task, _more: object) -> Outcome:
    """Stands for a flight: an outcome of the usual size."""
    drawn = task.drawn
    margins = {f"measure {number} of some length": drawn.number / 7 + number for number in range(20)}
    return Outcome(
        drawn.number, drawn.seed, drawn.given, "pass", "", margins, f"{drawn.seed:064x}", "f" * 16, 53.2, 1.1
    )


def made_up_elsewhere(task: Task, _parcel: Parcel) -> Outcome:
    """The same on a cluster."""
    return made_up(task, None)


@dataclass
class Crew:
    """Two processes of this machine, and how many tasks they were handed."""

    handed: int = 0

    @property
    def ahead_at_most(self) -> int:
        """Of what the reader has taken."""
        return 3

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """See Executor."""

        def count(_task: Task) -> None:
            self.handed += 1

        yield from work_through(tasks, 2, made_up, lost=lost, started=count)


@dataclass
class Counted(Sequence[Task]):
    """Tasks that count how many were taken."""

    tasks: Sequence[Task]
    taken: int = 0

    @overload
    def __getitem__(self, index: int) -> Task: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Task]: ...
    def __getitem__(self, index: int | slice) -> Task | Sequence[Task]:
        return self.tasks[index]

    def __len__(self) -> int:
        return len(self.tasks)

    def __iter__(self) -> Iterator[Task]:
        for task in self.tasks:
            self.taken += 1
            yield task


@dataclass
class Dask:
    """A cluster of two workers, and how many tasks it was handed."""

    address: str
    _tasks: Counted = field(default_factory=lambda: Counted(()))

    @property
    def handed(self) -> int:
        """So far."""
        return self._tasks.taken

    @property
    def ahead_at_most(self) -> int:
        """Of what the reader has taken."""
        return 4

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """See Executor."""
        self._tasks = Counted(tasks)
        yield from Cluster(self.address, 60.0).through(self._tasks, made_up_elsewhere)


def soak(executor: Crew | Dask, flights: int) -> tuple[Watched, float]:
    """A whole campaign; looked at after each 200th of it. Raises AssertionError when one is lost."""
    use, seen = Watched(), 0

    def watch(_outcome: Outcome) -> None:
        nonlocal seen
        seen += 1
        if seen % max(1, flights // LOOKS) == 0:
            use.look()

    with windy(flights) as loaded, tempfile.TemporaryDirectory() as folder:
        begin = monotonic()
        done = fly_campaign(loaded, "palm80", executor, Store(Path(folder)), seen=watch)
        lines = (Path(folder) / "results.jsonl").read_text(encoding="utf-8").count("\n")
        assert len(done) == lines == flights, f"{len(done)} flights in {lines} lines"
        return use, monotonic() - begin


def ahead(executor: Crew | Dask) -> int:
    """How many were handed out at most, beyond what a slow reader had taken."""
    most, before = 0, executor.handed
    with windy(10 * SLOW_READER) as loaded:
        outcomes = executor.run(tasks_of(loaded, 10 * SLOW_READER))
        if isinstance(executor, Dask):
            before = 0
        for taken, _ in enumerate(outcomes, 1):
            sleep(0.05)
            most = max(most, executor.handed - before - taken)
            if taken == SLOW_READER:
                outcomes.close()
                return most
    return most


def told(name: str, executor: Crew | Dask, flights: int) -> tuple[str, bool]:
    """The tables, and whether all is well."""
    use, wall_s = soak(executor, flights)
    most = ahead(executor)
    flat = use.growth_mib <= GROWTH_AT_MOST_MIB
    same = all(max(one.descriptors[20:]) <= max(one.descriptors[:20]) + 2 for one in use.uses.values())
    words = (
        f"{flights} stand-in flights through {name}: {wall_s:.0f} s, {1e3 * wall_s / flights:.1f} ms each, all noted"
        f" once. A slow reader has at most {most} handed out ahead of it ({executor.ahead_at_most} allowed)."
    )
    return f"{words}\n\n{table(HEADS, use.rows())}", flat and same and most <= executor.ahead_at_most


def main() -> None:
    """Soaks, prints, and puts it on the page."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flights", type=int, default=10_000)
    parser.add_argument("--cluster", action="store_true", help="on a Dask cluster as well")
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    texts = [told("two processes", Crew(), options.flights)]
    print(texts[0][0], flush=True)
    if options.cluster:
        processes = Processes(workers=2)
        try:
            texts.append(told("a Dask cluster of two workers", Dask(processes.address), options.flights))
        finally:
            processes.stop()
        print(texts[1][0])
    if options.page:
        put("campaigns.md", "campaign_soak.py", "\n\n".join(text for text, _ in texts))
    sys.exit(0 if all(well for _, well in texts) else 1)


if __name__ == "__main__":
    main()

"""A campaign on a real Dask cluster that loses a worker, then its scheduler: nothing lost, nothing doubled.

    python -m tests.benchmarks.campaign_cluster [--flights 24]

A scheduler and three workers run as processes of their own on loopback. After a quarter of the flights a worker is
killed, after half of them the scheduler; new ones are started and the same campaign goes on. Digests and verdicts are
compared with the same flights flown here.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
import time
from pathlib import Path

from asflown.campaign.campaign import fly_campaign
from asflown.campaign.dask_cluster import Cluster
from asflown.campaign.executor import Local
from asflown.campaign.flying import Outcome
from asflown.campaign.store import Store
from asflown.errors import FlightError
from asflown.scenario.file import LoadedScenario
from tests.benchmarks.campaign_scaling import windy
from tests.unit.campaign.cluster import Processes


def on_cluster(loaded: LoadedScenario, store: Store, kills: dict[int, str]) -> None:
    """Goes on with the campaign; kills a worker, or the scheduler, when so many flights came back."""
    processes = Processes()
    seen, begin = 0, 0.0

    def watch(outcome: Outcome) -> None:
        nonlocal seen, begin
        seen += 1
        if seen in kills:
            victim = processes.workers[0] if kills[seen] == "worker" else processes.scheduler
            os.kill(victim.pid, signal.SIGKILL)
            begin = time.monotonic()
            print(f"SIGKILL to the {kills[seen]} after {seen} flights", flush=True)

    try:
        fly_campaign(loaded, "palm80", Cluster(processes.address, 30.0), store, seen=watch)
    except FlightError as error:
        print(f"{time.monotonic() - begin:.1f} s later, with {seen} flights: {error}")
    finally:
        processes.stop()


def main() -> None:
    """The whole run; exits with 1 when anything is lost or doubled."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flights", type=int, default=24)
    count: int = parser.parse_args().flights
    with windy(count) as loaded, tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        on_cluster(loaded, Store(folder / "cluster"), {count // 4: "worker", count // 2: "scheduler"})
        before = Store(folder / "cluster").done()
        print(f"{len(before)} of {count} flights are noted; a new scheduler and three new workers go on")
        on_cluster(loaded, Store(folder / "cluster"), {})
        alone = fly_campaign(loaded, "palm80", Local(2), Store(folder / "alone"))
        well = told(folder, alone, before)
    sys.exit(0 if well and len(before) < count else 1)


def told(folder: Path, alone: dict[int, Outcome], before: dict[int, Outcome]) -> bool:
    """Prints what was lost, doubled or different, and whether all is well."""
    lines = (folder / "cluster" / "results.jsonl").read_text(encoding="utf-8").splitlines()
    found, count = Store(folder / "cluster").done(), len(alone)
    same = sum(found[n].digest == alone[n].digest != "" for n in alone if n in found)
    verdicts = sum(found[n].verdict == alone[n].verdict != "error" for n in alone if n in found)
    kept = sum(found.get(n) == one for n, one in before.items())
    print(
        f"{len(found)} of {count} flights in {len(lines)} lines; {kept} of {len(before)} from before the scheduler's"
        f" end unchanged; digests equal to the flights flown here in {same}, verdicts in {verdicts}"
    )
    return len(found) == len(lines) == count == same == verdicts and kept == len(before)


if __name__ == "__main__":
    main()

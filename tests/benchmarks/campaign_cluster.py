"""A campaign on a real Dask cluster that loses a worker, then its scheduler: nothing lost, nothing doubled.

    python -m tests.benchmarks.campaign_cluster [--flights 24]

A scheduler and three workers run as processes of their own on loopback. In the first half a worker is killed; then the
scheduler; a new one is started and the same campaign goes on. Digests are compared with the same flights flown here.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from asflown.campaign.campaign import fly_campaign
from asflown.campaign.dask_cluster import Cluster
from asflown.campaign.executor import Local
from asflown.campaign.flying import Outcome
from asflown.campaign.store import Store
from asflown.errors import FlightError
from asflown.scenario.file import LoadedScenario, load_scenario

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


class Processes:
    """A scheduler and its workers."""

    def __init__(self) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.scheduler = self._start(
            "scheduler", "--host", "127.0.0.1", "--port", str(self.port), "--no-dashboard"
        )
        self.workers = [self._worker() for _ in range(3)]

    def _worker(self) -> subprocess.Popen[bytes]:
        return self._start(
            "worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1"
        )

    @staticmethod
    def _start(*words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]]
        return subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )

    def stop(self) -> None:
        """Ends all of them."""
        for process in (*self.workers, self.scheduler):
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def on_cluster(loaded: LoadedScenario, store: Store, kill: str, after: int) -> None:
    """Goes on with the campaign; kills a worker or the scheduler after so many flights."""
    processes = Processes()
    seen = 0
    killed = threading.Event()

    def watch(outcome: Outcome) -> None:
        nonlocal seen
        seen += 1
        if seen == after and not killed.is_set():
            killed.set()
            victim = processes.workers[0] if kill == "worker" else processes.scheduler
            os.kill(victim.pid, signal.SIGKILL)
            print(f"killed the {kill} after {seen} flights", flush=True)

    try:
        time.sleep(4)
        fly_campaign(loaded, "palm80", Cluster(processes.address), store, seen=watch)
    except FlightError as error:
        print(f"as it should: {error}")
    finally:
        processes.stop()


def main() -> None:
    """The whole run; exits with 1 when anything is lost or doubled."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flights", type=int, default=24)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "demo"
        shutil.copytree(SCENARIOS / "nest_boxes", place)
        file = place / "windy.scenario.yaml"
        file.write_text(CAMPAIGN.format(flights=options.flights), encoding="utf-8")
        loaded = load_scenario(file)
        shared = Store(Path(folder) / "cluster")
        on_cluster(loaded, shared, "worker", options.flights // 4)
        if len(shared.done()) == options.flights:
            print("all were flown before the scheduler could be killed: ask for more flights")
        on_cluster(loaded, Store(Path(folder) / "cluster"), "scheduler", 2)
        on_cluster(loaded, Store(Path(folder) / "cluster"), "worker", 10**9)
        alone = fly_campaign(loaded, "palm80", Local(2), Store(Path(folder) / "alone"))
        lines = (Path(folder) / "cluster" / "results.jsonl").read_text(encoding="utf-8").splitlines()
        found = Store(Path(folder) / "cluster").done()
        same = sum(found[n].digest == alone[n].digest for n in alone if n in found)
        verdicts = sum(found[n].verdict == alone[n].verdict for n in alone if n in found)
        told = f"{len(found)} of {options.flights} flights in {len(lines)} lines"
        print(f"{told}; digests equal in {same}, verdicts in {verdicts}")
        well = len(found) == len(lines) == options.flights == same == verdicts
    sys.exit(0 if well else 1)


if __name__ == "__main__":
    main()

"""Evidence on the history: `python -m tests.benchmarks.history_load [writers] [queries]`.

`writers`: four processes enter two hundred flights into one index while a fifth reads it, and a sixth kills writers
at random moments; each killed writer is replaced by one that goes on with what is left. Afterwards nothing may be
lost or doubled, nor may any flight have been seen half entered. Ten rounds with seeds of their own.

`queries`: the time of each question at ten thousand flights (CPU time, so that a busy machine does not show).
"""

from __future__ import annotations

import argparse
import multiprocessing
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from asflown.change.history_prune import Retention, plan_prune, stored_flights
from asflown.change.history_query import flaky, kinds, measure_names, trend
from asflown.change.history_store import FILE_NAME, History
from asflown.change.history_trend import trends
from asflown.clock.wall import utc_now
from tests.unit.change.stored import store_flight

FLIGHTS, WRITERS, ROUNDS = 200, 4, 10
MANY = 10_000
MEASURES = (
    "cross_track_p95",
    "vertical_p95",
    "duration",
    "landing_offset",
    "speed_on_legs",
    "dwell_at_holds",
)


def _write(store: Path, share: int) -> None:
    """Enters its share of the flights, those first that are not there yet."""
    with History(store) as history:
        known = {name for (name,) in history.connection.execute("SELECT folder FROM flight")}
        for number in range(share, FLIGHTS, WRITERS):
            name = f"flight-{number:05d}"
            if name not in known:
                history.enter(store / name)


def _read(
    store: Path, stop: multiprocessing.synchronize.Event, seen: multiprocessing.Queue[tuple[int, int]]
) -> None:
    """Looks at the index all the time: how often, and how often a flight was there without all of its measures."""
    looks = halves = 0
    with History(store) as history:
        while not stop.is_set():
            halves += history.connection.execute(
                "SELECT count(*) FROM flight WHERE (SELECT count(*) FROM measure WHERE flight = flight.id) != ?",
                (len(MEASURES),),
            ).fetchone()[0]
            looks += 1
    seen.put((looks, halves))


def one_round(seed: int, template: Path) -> dict[str, int]:
    """One round; returns what was counted."""
    generator = np.random.default_rng(seed)
    context = multiprocessing.get_context("fork")
    store = Path(tempfile.mkdtemp(prefix="asflown-history-"))
    shutil.copytree(template, store, dirs_exist_ok=True)
    stop, seen = context.Event(), context.Queue()
    reader = context.Process(target=_read, args=(store, stop, seen))
    reader.start()
    crew = {share: context.Process(target=_write, args=(store, share)) for share in range(WRITERS)}
    for writer in crew.values():
        writer.start()
    kills = 0
    while any(writer.is_alive() for writer in crew.values()):
        time.sleep(float(generator.uniform(0.0, 0.03)))
        share = int(generator.integers(WRITERS))
        if kills < 40 and crew[share].is_alive() and crew[share].pid:
            crew[share].kill()
            crew[share].join()
            kills += crew[share].exitcode == -signal.SIGKILL
            crew[share] = context.Process(target=_write, args=(store, share))
            crew[share].start()
    stop.set()
    looks, halves = seen.get()
    reader.join()
    with History(store) as history:
        entered = history.connection.execute("SELECT count(*), count(DISTINCT folder) FROM flight").fetchone()
        orphans = history.connection.execute(
            "SELECT count(*) FROM measure WHERE flight NOT IN (SELECT id FROM flight)"
        ).fetchone()[0]
        measures = history.connection.execute("SELECT count(*) FROM measure").fetchone()[0]
        whole = history.connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        late = history.catch_up()
    shutil.rmtree(store)
    return {
        "kills": kills, "looks": looks, "half": halves, "flights": entered[0], "distinct": entered[1],
        "measures": measures, "orphans": orphans, "damaged": int(not whole), "late": late.entered,
    }  # fmt: skip


def writers() -> bool:
    """Ten rounds; whether nothing was lost, doubled or halved in any."""
    template = Path(tempfile.mkdtemp(prefix="asflown-flights-"))
    for number in range(FLIGHTS):
        store_flight(template, number, values=dict.fromkeys(MEASURES, 0.1 + number / 1000))
    fine = True
    print("| round | killed | looks | half seen | flights | distinct | measures | orphans | damaged |")
    print("|---|---|---|---|---|---|---|---|---|")
    for seed in range(ROUNDS):
        found = one_round(seed, template)
        cells = [
            found[key]
            for key in ("kills", "looks", "half", "flights", "distinct", "measures", "orphans", "damaged")
        ]
        print("|", " | ".join(map(str, (seed, *cells))), "|", flush=True)
        wanted = (0, FLIGHTS, FLIGHTS, FLIGHTS * len(MEASURES), 0, 0)
        fine &= tuple(cells[2:]) == wanted and found["late"] == 0
    shutil.rmtree(template)
    print(f"\n{'nothing lost, doubled or halved' if fine else 'SOMETHING WENT WRONG'}")
    return fine


def _timed(what: str, question: Callable[[], object], times: int = 5) -> None:
    spent = []
    for _ in range(times):
        begin = time.process_time()
        question()
        spent.append(time.process_time() - begin)
    print(f"| {what} | {min(spent) * 1e3:.1f} ms |", flush=True)


def queries() -> None:
    """Times at ten thousand flights of six scenarios, three releases, in the order of time."""
    store = Path(tempfile.mkdtemp(prefix="asflown-many-"))
    generator = np.random.default_rng(9)
    for number in range(MANY):
        values = {name: float(generator.normal(0.4, 0.05)) for name in MEASURES}
        scenario, release = f"demo-{number % 6}", f"r{1 + number // 6 % 3}"
        verdict = "fail" if generator.random() < 0.02 else "pass"
        store_flight(store, number, scenario=scenario, release=release, values=values, verdict=verdict)  # type: ignore[arg-type]
    print("| question | CPU time |\n|---|---|")
    with History(store) as history:
        _timed("make the index anew from all folders", lambda: history.catch_up(anew=True), times=1)
        _timed("catch up when nothing is new", history.catch_up)
        one = store / "flight-00042"
        _timed("enter one flight", lambda: history.enter(one))
        _timed("list all kinds", lambda: kinds(history))
        kind = kinds(history)[0].kind
        _timed("trend of one measure", lambda: trend(history, kind, measure_names(history, kind)[0]))
        _timed("all trends of a kind, with shifts", lambda: trends(history, kind), times=2)
        _timed("flaky scenarios", lambda: flaky(history))
        stored = stored_flights(history)
        keep = Retention(number=100)
        _timed("plan what may go", lambda: plan_prune(stored, keep, lambda _: False, utc_now()))
    print(f"\nsize of the index: {(store / FILE_NAME).stat().st_size / 1e6:.1f} MB for {MANY} flights")
    shutil.rmtree(store)


def main() -> int:
    """Runs what was asked for; 1 when something was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", nargs="*", choices=["writers", "queries"], default=["writers", "queries"])
    options = parser.parse_args()
    fine = writers() if "writers" in options.what else True
    if "queries" in options.what:
        queries()
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())

"""Evidence for the held surface: every script style flown many times, half of them on a busy machine.

    python -m tests.benchmarks.clock_styles [--runs 30] [--page]

Prints a table: style, in lockstep, equal over all runs, flight seconds for each wall second (least of the idle runs).
Exit code 1 when a style that should repeat did not. Not part of the test suite: it takes some minutes.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys

from asflown.clock.wall import Stopwatch
from tests.benchmarks.page import put
from tests.flights.test_lockstep import busy_machine
from tests.unit.clock.lockstep import Run, fly
from tests.unit.clock.test_held_scripts import STYLES, TICKS

MORE = {
    "numpy-heavy planner": """
import numpy as np
rng = np.random.default_rng()
s = listen()
for _ in range(10):
    data, peer = s.recvfrom(99)
    m = rng.normal(size=(60, 60)); x = np.linalg.solve(m @ m.T + np.eye(60), rng.normal(size=60))
    s.sendto(b"%r" % float(x.sum()), peer)
    print(x[:3], time.time())
""",
    "logging thread": """
import logging, logging.handlers, queue, sys, threading
q = queue.Queue(); listener = logging.handlers.QueueListener(q, logging.StreamHandler(sys.stdout))
listener.start(); log = logging.getLogger(); log.addHandler(logging.handlers.QueueHandler(q)); log.setLevel(10)
s = listen()
for n in range(10): log.info("%s %f", s.recv(99), time.time())
listener.stop()
""",
    "asyncio streams between tasks": """
import asyncio
async def serve(r, w):
    while data := await r.read(99): await asyncio.sleep(0.01); w.write(data.upper()); await w.drain()
    w.close()
async def main():
    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    r, w = await asyncio.open_connection(*server.sockets[0].getsockname())
    for n in range(5): w.write(b"box %d" % n); print(await r.read(99), asyncio.get_running_loop().time())
    w.close(); server.close()
asyncio.run(main())
""",
    "multiprocessing worker by spawn": """
import multiprocessing as mp
c = mp.get_context("spawn"); a, b = c.Pipe()
p = c.Process(target=time.sleep, args=(2,)); p.start(); p.join(); print(p.exitcode, time.time())
""",
}
OTHERS = {
    "trio": """
import trio
async def main():
    s = trio.socket.socket(trio.socket.AF_INET, trio.socket.SOCK_DGRAM); await s.bind(("127.0.0.1", PORT))
    with trio.move_on_after(1.5):
        while True: print(await s.recv(99), trio.current_time() - start)
start = None
async def begin():
    global start
    start = trio.current_time(); await main()
trio.run(begin)
""",
    "anyio": """
import anyio
async def main():
    async with anyio.create_task_group() as tg:
        for n in range(4): tg.start_soon(work, n)
async def work(n):
    await anyio.sleep(n / 10); print(n, time.time())
    print(await anyio.to_thread.run_sync(time.sleep, 0.05), time.time())
anyio.run(main)
""",
}


def styles() -> dict[str, str]:
    """Every style whose libraries are there."""
    others = {name: script for name, script in OTHERS.items() if importlib.util.find_spec(name)}
    return {**STYLES, **MORE, **others}


def flown(script: str, runs: int) -> tuple[list[Run], float]:
    """All runs, and the best pace (flight seconds for each wall second)."""
    results, pace = [], 0.0
    for _ in range(runs):
        watch = Stopwatch()
        run = fly(script, TICKS)
        pace = max(pace, run.ended_us / 1e6 / watch.seconds())
        results.append(run)
    return results, pace


def table(runs: int) -> tuple[list[str], bool]:
    """The table's lines, and whether all repeated."""
    lines = ["| style | lockstep | equal | pace |", "| --- | --- | --- | --- |"]
    good = True
    for name, script in styles().items():
        idle, pace = flown(script, runs - runs // 2)
        with busy_machine():
            busy, _ = flown(script, runs // 2)
        results = idle + busy
        held = all(run.how == "gone" and run.exit_code == 0 for run in results)
        equal = sum(run == results[0] for run in results)
        good = good and held and equal == runs
        reason = "yes" if held else f"no: {next(run.how for run in results if run.how != 'gone')[:60]}"
        lines.append(f"| {name} | {reason} | {equal} of {runs} | {pace:.1f} |")
        print(lines[-1], flush=True)
    return lines, good


def main() -> int:
    """Flies all styles."""
    parser = argparse.ArgumentParser(description="Flies every held script style many times.")
    parser.add_argument("--runs", type=int, default=30)
    parser.add_argument("--page", action="store_true", help="put the table into harness/docs/held-styles.md")
    options = parser.parse_args()
    lines, good = table(options.runs)
    if options.page:
        put("held-styles.md", "clock_styles", "\n".join(lines))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())

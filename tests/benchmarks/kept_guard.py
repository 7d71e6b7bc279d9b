"""Writes the second table of harness/docs/guard.md: what a real keeper does when the harness ends under it.

    .venv/bin/python -m tests.benchmarks.kept_guard [--write]

In wall time, so for a quiet machine; two minutes. The harness flies the served palm80 behind a pseudo terminal, and is
ended at about 1 m of height by SIGKILL, SIGTERM or SIGINT.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from asflown.record.decode import columns, index
from asflown.record.manifest import read as read_manifest
from asflown.vehicle.keeper_order import KeeperOrder
from tests.flights.test_kept_flights import HANG, events, flight_folder, flown, keeper_of, until_up

GUIDE = Path(__file__).parents[2] / "harness" / "docs" / "guard.md"
BEGIN, END = "<!-- keeper table: begin -->\n", "<!-- keeper table: end -->\n"
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)


def row_of(number: signal.Signals, folder: Path) -> str:
    """Ends the harness by a signal in flight; a line of Markdown."""
    with flown(folder, HANG) as harness:
        until_up(harness)
        keeper = os.pidfd_open(keeper_of(harness.pid))
        ended_us = time.time_ns() // 1000
        os.kill(harness.pid, number)
        stated_s = KeeperOrder(vehicle="", captures=folder, control=folder).longest_end_s
        gone = bool(select.select([keeper], [], [], stated_s)[0])
        gone_s = (time.time_ns() // 1000 - ended_us) / 1e6
        os.close(keeper)
        harness.wait(30)
    flight = flight_folder(folder)
    manifest = read_manifest(flight)
    safety = [event for event in events(folder) if event["kind"] == "safety"]
    first_s = (manifest.clock.epoch_us + safety[0]["time_us"] - ended_us) / 1e6
    last = columns(index(flight / "vehicle.tlog"), 0)["base_mode"][-1]
    down = "down, disarmed" if not last & 128 else "**in the air**"
    said = "; ".join(event["what"] for event in safety)
    ended = f"after {gone_s:.1f} s" if gone else "**not**"
    return (
        f"| harness ended by {number.name} | {said} | {first_s:.2f} s | {down} | {ended} "
        f"| {stated_s:.0f} s | {manifest.outcome} |\n"
    )


def rows() -> Iterator[str]:
    """The table."""
    yield "| situation | what was said | first after | vehicle | keeper gone | at the latest | outcome |\n"
    yield "|---|---|---|---|---|---|---|\n"
    for number in SIGNALS:
        with tempfile.TemporaryDirectory(prefix="asflown-kept-") as name:
            yield row_of(number, Path(name))


def main() -> int:
    """Prints the table, or writes it."""
    table = "".join(rows())
    print(table, end="")
    if "--write" in sys.argv:
        before, _, rest = GUIDE.read_text(encoding="utf-8").partition(BEGIN)
        _, _, after = rest.partition(END)
        GUIDE.write_text(before + BEGIN + table + END + after, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Faults at random moments: signals to every process of a run in each phase, and a machine that fails it otherwise.

    .venv/bin/python -m tests.benchmarks.fault_campaign [--seed N] [--runs N] [--rig lockstep|paced|workers|machine]

Each cell is done `--runs` times; about ten seconds each. As root, with strace and faketime, all rows are done; what
cannot be done here is named. Prints tables in Markdown, then what was wrong; the exit code says whether anything was.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.page import table
from tests.flights import struck
from tests.flights.conditions import CONDITIONS
from tests.flights.strikes import Strike, possible, struck_run
from tests.flights.struck import Part

FAULTS = ("SIGKILL", "SIGTERM", "SIGINT", "SIGSTOP, SIGCONT")
RIGS: dict[str, tuple[tuple[Part, ...], tuple[str, ...]]] = {
    "lockstep": (("harness", "script", "child"), ()),
    "paced": (("harness", "script", "child"), ("--clock", "paced")),
    "workers": (("harness", "worker"), ("--workers", "2", "--flights", "2")),
}


def cells(parts: tuple[Part, ...]) -> list[Strike]:
    """Every part, fault and phase that there is."""
    return [
        Strike(part, fault, phase)  # type: ignore[arg-type]
        for part in parts
        for fault in FAULTS
        for phase in struck.PHASES
        if possible(part, phase)  # type: ignore[arg-type]
    ]


def signals(rig: str, runs: int, chance: random.Random) -> Iterator[str]:
    """Strikes everything of a rig; yields what was wrong, and prints the table of what fell where."""
    parts, words = RIGS[rig]
    fell: Counter[tuple[str, str, str]] = Counter()
    damaged = 0
    for number, what in enumerate(cells(parts) * runs):
        with tempfile.TemporaryDirectory(prefix="struck-") as name:
            found = struck_run(Path(name), what, chance, *words, again=number % 4 == 0)
        fell[what.part, what.fault, found.at] += 1
        damaged += found.after.damaged
        yield from (f"{rig}, {what.part}, {what.fault}, {found.at}: {wrong}" for wrong in found.wrong)
    heads = [f"{rig}: process and fault", *struck.PHASES, "over before"]
    rows = [
        [f"{part}: {fault}", *(str(fell[part, fault, phase] or "") for phase in (*struck.PHASES, "over"))]
        for part in parts
        for fault in FAULTS
    ]
    print(table(heads, rows), f"\n\nDamaged frames and bytes of no record: {damaged}\n", flush=True)


def machine(runs: int, chance: random.Random) -> Iterator[str]:
    """Does everything else; yields what was wrong, and prints the table."""
    rows = []
    for condition in CONDITIONS:
        missing = condition.missing()
        codes: Counter[str] = Counter()
        damaged = 0
        for _ in range(0 if missing else runs):
            with tempfile.TemporaryDirectory(prefix="struck-") as name:
                after = condition.done(Path(name), chance)
            codes[str(after.code)] += 1
            damaged += after.damaged
            yield from (f"{condition.name}: {wrong}" for wrong in after.wrong)
        ended = ", ".join(f"{number}× {code}" for code, number in codes.items())
        rows.append([condition.name, missing or ended, str(damaged)])
    print(table(["the machine", "exit codes", "damaged"], rows), "\n", flush=True)


def main() -> int:
    """Runs the campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=1)
    parser.add_argument("--rig", action="append", choices=(*RIGS, "machine"), default=[])
    options = parser.parse_args()
    chance, wrong = random.Random(options.seed), []
    for rig in options.rig or (*RIGS, "machine"):
        found = machine(options.runs, chance) if rig == "machine" else signals(rig, options.runs, chance)
        wrong += list(found)
    print("\n".join(wrong) or "nothing was wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

"""Faults at random moments: signals to every process of a run in each phase, and a machine that fails it otherwise.

    .venv/bin/python -m tests.benchmarks.fault_campaign --state FILE [--runs N] [--seed N] [--minutes M] [--page]
                                                        [--rig lockstep|paced|workers|machine|real ...]

Each cell is done `--runs` times; about ten seconds each. As root, with strace and faketime, all rows are done; what
cannot be done here is named. Every strike is noted in FILE, so the command goes on where it was, and after --minutes
begins no further one. Prints tables in Markdown, then what was wrong; the exit code says whether anything was. --page
puts the tables into harness/docs/faults.md.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.benchmarks.page import put, table
from tests.flights import struck
from tests.flights.conditions import CONDITIONS
from tests.flights.kept_conditions import KEPT_CONDITIONS
from tests.flights.strikes import Strike, possible, struck_run
from tests.flights.struck import Part

FAULTS = ("SIGKILL", "SIGTERM", "SIGINT", "SIGSTOP, SIGCONT")
RIGS: dict[str, tuple[tuple[Part, ...], tuple[str, ...]]] = {
    "lockstep": (("harness", "script", "child"), ()),
    "paced": (("harness", "script", "child"), ("--clock", "paced")),
    "workers": (("harness", "worker"), ("--workers", "2", "--flights", "2")),
}
CONDITION_RIGS = {"machine": CONDITIONS, "real": KEPT_CONDITIONS}
"""Rigs whose cells are no signals to a part of a simulated run: the machine; a real flight's keeper, ports, engine."""
ALL_RIGS = (*RIGS, *CONDITION_RIGS)


@dataclass(frozen=True)
class Done:
    """One strike, or one failing of the machine, and what was seen after it."""

    rig: str
    cell: str
    run: int
    row: str
    came_to: str
    """The phase in which a signal fell, or the exit code of a run on a failing machine."""
    damaged: int
    wrong: list[str]


def cells(rig: str) -> dict[str, Strike]:
    """Every part, fault and phase of a rig that there is, by name."""
    parts, _ = RIGS[rig]
    strikes = [
        Strike(part, fault, phase)  # type: ignore[arg-type]
        for part in parts
        for fault in FAULTS
        for phase in struck.PHASES
        if possible(part, phase)  # type: ignore[arg-type]
    ]
    return {f"{one.part}, {one.fault}, {one.phase}": one for one in strikes}


def ahead(rigs: list[str], runs: int) -> Iterator[tuple[str, str, int]]:
    """Everything that is to be done: rig, cell, run."""
    for run in range(1, runs + 1):
        for rig in rigs:
            conditions = CONDITION_RIGS.get(rig, ())
            names = [one.name for one in conditions if not one.missing()] or cells(rig)
            yield from ((rig, name, run) for name in names)


def strike(rig: str, cell: str, run: int, seed: int) -> Done:
    """Does it once."""
    chance = random.Random(f"{seed} {rig} {cell} {run}")
    with tempfile.TemporaryDirectory(prefix="struck-") as name:
        if rig in CONDITION_RIGS:
            (condition,) = (one for one in CONDITION_RIGS[rig] if one.name == cell)
            after = condition.done(Path(name), chance)
            return Done(rig, cell, run, cell, str(after.code), after.damaged, list(after.wrong))
        what = cells(rig)[cell]
        found = struck_run(Path(name), what, chance, *RIGS[rig][1], again=chance.random() < 0.25)
        row = f"{what.part}: {what.fault}"
        return Done(rig, cell, run, row, found.at, found.after.damaged, list(found.wrong))


def signal_table(rig: str, done: list[Done]) -> str:
    """What fell where."""
    fell = Counter((one.row, one.came_to) for one in done)
    phases = (*struck.PHASES, "over")
    rows = [
        [f"{part}: {fault}", *(str(fell[f"{part}: {fault}", phase] or "") for phase in phases)]
        for part in RIGS[rig][0]
        for fault in FAULTS
    ]
    return table([f"{rig}: process and fault", *struck.PHASES, "over before"], rows)


def condition_table(rig: str, done: list[Done]) -> str:
    """How runs ended under each condition of a rig."""
    rows = []
    for condition in CONDITION_RIGS[rig]:
        some = [one for one in done if one.cell == condition.name]
        codes = Counter(one.came_to for one in some)
        ended = condition.missing() or ", ".join(f"{number}× {code}" for code, number in codes.items())
        rows.append([condition.name, ended, str(sum(one.damaged for one in some))])
    return table([rig, "exit codes", "damaged"], rows)


def told(done: list[Done]) -> str:
    """All tables, and the sums, in Markdown."""
    by_rig = {rig: [one for one in done if one.rig == rig] for rig in ALL_RIGS}
    parts = [
        condition_table(rig, some) if rig in CONDITION_RIGS else signal_table(rig, some)
        for rig, some in by_rig.items()
        if some
    ]
    damaged, wrong = sum(one.damaged for one in done), sum(bool(one.wrong) for one in done)
    parts.append(
        f"{len(done)} runs were struck; damaged frames and bytes of no record: {damaged}; runs that left "
        f"something wrong behind: {wrong}."
    )
    return "\n\n".join(parts)


def main() -> int:
    """Goes on with the campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--state", type=Path, required=True, help="where strikes are noted, a line each")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=1)
    parser.add_argument("--rig", action="append", choices=ALL_RIGS, default=[])
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    state: Path = options.state
    lines = state.read_text(encoding="utf-8").splitlines() if state.exists() else []
    done = [Done(**json.loads(line)) for line in lines]
    known = {(one.rig, one.cell, one.run) for one in done}
    until = time.monotonic() + 60 * options.minutes
    for rig, cell, run in ahead(options.rig or list(ALL_RIGS), options.runs):
        if (rig, cell, run) in known:
            continue
        if time.monotonic() > until:
            print("not all done yet: the same command goes on")
            break
        one = strike(rig, cell, run, options.seed)
        done.append(one)
        with state.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(one)) + "\n")
    print(told(done))
    for one in done:
        for wrong in one.wrong:
            print(f"{one.rig}, {one.cell}, run {one.run}, {one.came_to}: {wrong}")
    if options.page:
        put("faults.md", "fault_campaign.py", told(done))
    return int(any(one.wrong for one in done))


if __name__ == "__main__":
    sys.exit(main())

"""A machine that fails a run otherwise than by signals: its disk, its limits, its clock, a second run beside it.

What needs root (a file system of its own, an immutable folder) is asked of `is_root` first. Nothing is done to the
machine itself: file systems are mounted below the run's own folder, limits and clocks are those of its processes.
"""

from __future__ import annotations

import os
import random
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.flights import struck
from tests.flights.flying import command
from tests.flights.struck import Aftermath, Run

REFUSED, NOT_FLOWN = 2, 3


@dataclass(frozen=True)
class Condition:
    """What is done to a run, and which exit codes are honest ends of it."""

    name: str
    do: Callable[[Path, random.Random], Aftermath]
    codes: frozenset[int]
    needs: str = ""
    """A program, or `root`."""

    def missing(self) -> str:
        """Why it cannot be done here; '' when it can."""
        if self.needs == "root":
            return "" if os.geteuid() == 0 else "needs root"
        return "" if not self.needs or shutil.which(self.needs) else f"needs {self.needs}"

    def done(self, folder: Path, chance: random.Random) -> Aftermath:
        """Does it in a new folder; what was found, with what is wrong."""
        struck.scenario(folder)
        after = self.do(folder, chance)
        if after.code not in self.codes:
            after.wrong.append(f"exit code {after.code}, and {sorted(self.codes)} would be honest")
        return after


@contextmanager
def small_disk(folder: Path, options: str) -> Iterator[Path]:
    """A file system in memory, mounted at the run's folder of flights."""
    keep = folder / "flights"
    keep.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "none", keep], check=True)
    try:
        yield keep
    finally:
        subprocess.run(["umount", "--lazy", keep], check=True)


def _flown(
    folder: Path,
    *words: str,
    whole: list[str] | None = None,
    before: Callable[[], None] | None = None,
    meanwhile: Callable[[Run], None] = lambda run: None,
) -> Aftermath:
    with struck.started(folder, *words, whole=whole, before=before) as run:
        meanwhile(run)
        return struck.aftermath(run, run.wait())


def disk_full(folder: Path, chance: random.Random) -> Aftermath:
    """Room for a part of the flight."""
    with small_disk(folder, f"size={chance.randrange(4, 260) * 1024}"):
        return _flown(folder)


def disk_full_paced(folder: Path, chance: random.Random) -> Aftermath:
    """The same in wall time."""
    with small_disk(folder, f"size={chance.randrange(8, 200) * 1024}"):
        return _flown(folder, "--clock", "paced")


def no_more_files(folder: Path, chance: random.Random) -> Aftermath:
    """A quota of files."""
    with small_disk(folder, f"size=10m,nr_inodes={chance.randrange(2, 14)}"):
        return _flown(folder)


def files_bounded(folder: Path, chance: random.Random) -> Aftermath:
    """A limit on the size of each file, as a quota sets it."""
    most = chance.randrange(2_000, 200_000)
    return _flown(folder, before=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most)))


def read_only(folder: Path, chance: random.Random) -> Aftermath:
    """Nothing can be written at all."""
    with small_disk(folder, "size=1m,ro"):
        return _flown(folder)


def read_only_in_flight(folder: Path, chance: random.Random) -> Aftermath:
    """From some moment on no file can be made or replaced in the flight's folder."""
    changed: list[Path] = []

    def meanwhile(run: Run) -> None:
        if run.until("flight"):
            time.sleep(chance.uniform(0, 0.3))
            changed.extend(run.flights)
            for flight in changed:
                subprocess.run(["chattr", "+i", flight], check=True)

    try:
        return _flown(folder, meanwhile=meanwhile)
    finally:
        for flight in changed:
            subprocess.run(["chattr", "-i", flight], check=True)


def slow_disk(folder: Path, chance: random.Random) -> Aftermath:
    """Each sync takes a while: the system's calls are delayed by the tracer."""
    delay = f"inject=fsync,fdatasync:delay_enter={chance.randrange(50_000, 300_000)}"
    report: list[str | Path] = ["--keep", folder / "flights", "--json", folder / "report.json"]
    line = command("fly", "try-out.scenario.yaml", *report)
    traced = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fsync,fdatasync", "-e", delay]
    return _flown(folder, whole=[*traced, *line])


def few_descriptors(folder: Path, chance: random.Random) -> Aftermath:
    """Less open files than a flight needs, or just enough."""
    most = chance.randrange(12, 48)
    return _flown(folder, before=lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (most, most)))


def no_more_descriptors(folder: Path, chance: random.Random) -> Aftermath:
    """From some moment on not one more file can be opened."""

    def meanwhile(run: Run) -> None:
        if run.until("flight"):
            time.sleep(chance.uniform(0, 0.3))
            if run.process.poll() is None:
                resource.prlimit(run.process.pid, resource.RLIMIT_NOFILE, (3, 4096))

    after = _flown(folder, meanwhile=meanwhile)
    left = "left behind: asflown-"  # without any descriptor nothing can be listed: the next run sweeps it
    after.wrong = [wrong for wrong in after.wrong if not wrong.startswith(left)]
    return after


def little_memory(folder: Path, chance: random.Random) -> Aftermath:
    """Less address space than a flight needs, or just enough, from the start."""
    most = chance.randrange(60, 900) << 20
    return _flown(folder, before=lambda: resource.setrlimit(resource.RLIMIT_AS, (most, most)))


def no_more_memory(folder: Path, chance: random.Random) -> Aftermath:
    """From some moment on the harness gets no more address space."""

    def meanwhile(run: Run) -> None:
        if run.until(chance.choice(("vehicle start", "flight", "end"))):
            time.sleep(chance.uniform(0, 0.2))
            if run.process.poll() is None:
                resource.prlimit(run.process.pid, resource.RLIMIT_AS, (1 << 20, resource.RLIM_INFINITY))

    return _flown(folder, meanwhile=meanwhile)


def clock_jumps(folder: Path, chance: random.Random) -> Aftermath:
    """The system's time of day is stepped while a flight runs in wall time; how long things take does not change."""
    file = folder / "try-out.scenario.yaml"
    text = file.read_text(encoding="utf-8")  # a script that waits by the time of day is its own affair
    file.write_text(
        text.replace("run: [python,", f"run: [env, -u, LD_PRELOAD, {sys.executable},"), encoding="utf-8"
    )
    stamp = folder / "offset"
    stamp.write_text("+0", encoding="ascii")
    variables = {
        "FAKETIME_TIMESTAMP_FILE": str(stamp),
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        "FAKETIME_CACHE_DURATION": "0",
        "LD_PRELOAD": _faketime_library(),
    }
    with struck.started(folder, "--clock", "paced", variables=variables) as run:
        if run.until("flight"):
            for _ in range(3):
                time.sleep(chance.uniform(0.1, 0.8))
                stamp.write_text(f"{chance.choice((-3600, -5, 5, 3600)):+d}", encoding="ascii")
        return struck.aftermath(run, run.wait())


def _faketime_library() -> str:
    found = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
    return str(found[0]) if found else ""


def two_at_once(folder: Path, chance: random.Random) -> Aftermath:
    """Two runs begin in one folder, with the same reports to write."""
    with struck.started(folder) as first:
        time.sleep(chance.uniform(0, 0.3))
        second_folder = folder / "second"
        second_folder.mkdir()
        report: list[str | Path] = ["--keep", folder / "flights", "--json", folder / "report.json"]
        line = command("fly", folder / "try-out.scenario.yaml", *report, "--junit", folder / "report.xml")
        with struck.started(second_folder, whole=line) as second:
            codes = first.wait(), second.wait()
            after = struck.aftermath(first, codes[0])
            after.wrong += struck.aftermath(second, codes[1]).wrong
        if codes != (0, 0) or len(first.flights) != 2:
            after.wrong.append(f"exit codes {codes}, {len(first.flights)} flights")
        return after


CONDITIONS = (
    Condition("disk full", disk_full, frozenset({0, REFUSED, NOT_FLOWN}), "root"),
    Condition("disk full, paced", disk_full_paced, frozenset({0, REFUSED, NOT_FLOWN}), "root"),
    Condition("no more files", no_more_files, frozenset({0, REFUSED, NOT_FLOWN}), "root"),
    Condition("size of files bounded", files_bounded, frozenset({0, REFUSED, NOT_FLOWN})),
    Condition("read-only", read_only, frozenset({REFUSED}), "root"),
    Condition(
        "read-only from some moment on", read_only_in_flight, frozenset({0, REFUSED, NOT_FLOWN}), "root"
    ),
    Condition("slow disk", slow_disk, frozenset({0}), "strace"),
    Condition("few descriptors", few_descriptors, frozenset({0, 1, REFUSED, NOT_FLOWN})),
    Condition("no more descriptors", no_more_descriptors, frozenset({0, REFUSED, NOT_FLOWN})),
    Condition("little memory", little_memory, frozenset({0, 1, REFUSED, NOT_FLOWN})),
    Condition("no more memory", no_more_memory, frozenset({0, REFUSED, NOT_FLOWN})),
    Condition("time of day stepped", clock_jumps, frozenset({0}), "faketime"),
    Condition("two runs at once", two_at_once, frozenset({0})),
)

"""Memory and descriptors of this process and the ones it started, over time, as the system counts them."""

from __future__ import annotations

import multiprocessing
import os
import statistics
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic

MIB = 1 << 20
EVERY_S = 1.0
WARM_UP = 0.1
"""The share of a run that is left out: what is loaded once is loaded then."""


@dataclass(frozen=True)
class Held:
    """What one process holds at one moment."""

    resident_mib: float
    descriptors: int
    threads: int
    children: int


def held_by(pid: int) -> Held | None:
    """What a process holds now; None when it has ended."""
    place = Path(f"/proc/{pid}")
    try:
        pages = int((place / "statm").read_text(encoding="ascii").split()[1])
        descriptors = sum(1 for _ in (place / "fd").iterdir())
        threads = list((place / "task").iterdir())
        children = sum(len((one / "children").read_text(encoding="ascii").split()) for one in threads)
    except (OSError, IndexError):
        return None
    return Held(pages * os.sysconf("SC_PAGE_SIZE") / MIB, descriptors, len(threads), children)


@dataclass
class Use:
    """One process: what it held, each time it was looked at."""

    resident_mib: list[float] = field(default_factory=list)
    descriptors: list[int] = field(default_factory=list)

    def _settled(self) -> list[float]:
        return self.resident_mib[int(WARM_UP * len(self.resident_mib)) :]

    @property
    def early_mib(self) -> float:
        """Median of the first quarter after the warm-up."""
        settled = self._settled()
        return statistics.median(settled[: max(1, len(settled) // 4)])

    @property
    def late_mib(self) -> float:
        """Median of the last quarter."""
        settled = self._settled()
        return statistics.median(settled[-max(1, len(settled) // 4) :])

    @property
    def growth_mib(self) -> float:
        """From the first quarter to the last."""
        return self.late_mib - self.early_mib

    def told(self, name: str) -> list[str]:
        """A row of a table: name, memory early, late and at most, descriptors at least and at most."""
        held = self.descriptors
        most = max(self.resident_mib)
        return [
            name, f"{self.early_mib:.1f}", f"{self.late_mib:.1f}", f"{most:.1f}", f"{min(held)} to {max(held)}",
        ]  # fmt: skip


HEADS = ["process", "MiB, first quarter", "last quarter", "at most", "descriptors"]


@dataclass
class Watched:
    """The parent (`0`) and its workers by process id."""

    uses: dict[int, Use] = field(default_factory=dict)

    def look(self) -> None:
        """Once."""
        for pid in (os.getpid(), *(child.pid or 0 for child in multiprocessing.active_children())):
            if (held := held_by(pid)) is not None:
                use = self.uses.setdefault(0 if pid == os.getpid() else pid, Use())
                use.resident_mib.append(held.resident_mib)
                use.descriptors.append(held.descriptors)

    def rows(self) -> list[list[str]]:
        """A table's rows: the parent, then the workers."""
        workers = [use for pid, use in self.uses.items() if pid]
        return [
            self.uses[0].told("parent"),
            *(use.told(f"worker {number}") for number, use in enumerate(workers, 1)),
        ]

    @property
    def growth_mib(self) -> float:
        """Of whoever grew most."""
        return max(use.growth_mib for use in self.uses.values())


@contextmanager
def watched(every_s: float = EVERY_S) -> Iterator[Watched]:
    """Looks again and again until the end."""
    found, ended = Watched(), threading.Event()

    def run() -> None:
        while not ended.wait(every_s):
            found.look()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield found
    finally:
        ended.set()
        thread.join()


def timed(run: Callable[[], object]) -> float:
    """Seconds of wall time."""
    begin = monotonic()
    run()
    return monotonic() - begin

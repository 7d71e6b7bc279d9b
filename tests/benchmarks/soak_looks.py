"""What processes of a soak hold over time: looked at once in a while, kept as a file, judged, drawn.

Growth is the median of the last quarter less that of the first one, after a tenth that is left out: what is loaded once
is loaded then. Descriptors, threads and children are compared by the most that was seen in each of the two quarters; by
chance of the moment that may differ by a few, and something that leaks does it hundreds of times.
"""

from __future__ import annotations

import json
import statistics
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from time import monotonic

import matplotlib as mpl

mpl.use("Agg")
from matplotlib import pyplot as plt

from tests.benchmarks.resources import WARM_UP, Held, held_by

COUNTS = ("descriptors", "threads", "children")
BY_CHANCE = 3
"""How many more of these may be seen in the last quarter."""
HEADS = ["process", "MiB, first quarter", "last quarter", "growth", "at most", *COUNTS]


@dataclass
class Curve:
    """One process: when it was looked at, in seconds of wall time, and what it held then."""

    at_s: list[float] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)

    def _quarters(self) -> tuple[list[Held], list[Held]]:
        settled = self.held[int(WARM_UP * len(self.held)) :]
        many = max(1, len(settled) // 4)
        return settled[:many], settled[-many:]

    def of(self, name: str) -> list[float]:
        """One of the things held, over time."""
        return [float(getattr(one, name)) for one in self.held]

    @property
    def quarters_mib(self) -> tuple[float, float]:
        """Memory in the first quarter and in the last."""
        first, last = (statistics.median(one.resident_mib for one in quarter) for quarter in self._quarters())
        return first, last

    @property
    def growth_mib(self) -> float:
        """From the first quarter to the last."""
        first, last = self.quarters_mib
        return last - first

    def most(self, name: str) -> tuple[int, int]:
        """The most that was seen in the first quarter and in the last."""
        first, last = (max(getattr(one, name) for one in quarter) for quarter in self._quarters())
        return first, last

    def told(self, name: str) -> list[str]:
        """A row of the table."""
        first, last = self.quarters_mib
        counts = [" to ".join(str(most) for most in self.most(count)) for count in COUNTS]
        most = max(one.resident_mib for one in self.held)
        return [name, f"{first:.1f}", f"{last:.1f}", f"{last - first:+.1f}", f"{most:.1f}", *counts]

    def wrong(self, name: str, bound_mib: float) -> list[str]:
        """What has grown beyond its bound."""
        found = [
            f"{name}: {count} grew from {first} to {last}"
            for count in COUNTS
            for first, last in [self.most(count)]
            if last > first + BY_CHANCE
        ]
        if self.growth_mib > bound_mib:
            found.append(f"{name}: memory grew by {self.growth_mib:.1f} MiB, and {bound_mib} are allowed")
        return found


@contextmanager
def looked_at(parts: Callable[[], Mapping[str, int]], every_s: float) -> Iterator[dict[str, Curve]]:
    """Looks at the processes that `parts` names, again and again until the end."""
    curves: dict[str, Curve] = {}
    ended, begin = threading.Event(), monotonic()

    def run() -> None:
        while not ended.wait(every_s):
            for name, pid in parts().items():
                if (held := held_by(pid)) is not None and held.resident_mib:
                    curve = curves.setdefault(name, Curve())
                    curve.at_s.append(monotonic() - begin)
                    curve.held.append(held)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield curves
    finally:
        ended.set()
        thread.join()


def keep(curves: Mapping[str, Curve], file: Path) -> None:
    """Writes everything that was seen."""
    seen = {
        name: {"at_s": one.at_s, "held": [asdict(held) for held in one.held]} for name, one in curves.items()
    }
    file.write_text(json.dumps(seen), encoding="utf-8")


def kept(file: Path) -> dict[str, Curve]:
    """Reads it again."""
    seen = json.loads(file.read_text(encoding="utf-8"))
    return {name: Curve(one["at_s"], [Held(**held) for held in one["held"]]) for name, one in seen.items()}


def draw(curves: Mapping[str, Curve], file: Path, title: str) -> None:
    """Memory above, counts below, over minutes of wall time."""
    figure, axes = plt.subplots(4, 1, figsize=(9, 9), sharex=True, height_ratios=[3, 1, 1, 1])
    for name, curve in curves.items():
        minutes = [at / 60 for at in curve.at_s]
        for axis, what in zip(axes, ("resident_mib", *COUNTS), strict=True):
            axis.plot(minutes, curve.of(what), linewidth=1, label=name)
    for axis, words in zip(axes, ("memory, MiB", *COUNTS), strict=True):
        axis.set_ylabel(words)
        axis.set_ylim(bottom=0)
        axis.grid(alpha=0.3)
    axes[0].legend(loc="upper right", fontsize=8, ncols=2)
    axes[0].set_title(title)
    axes[-1].set_xlabel("minutes of wall time")
    figure.tight_layout()
    file.parent.mkdir(exist_ok=True)
    figure.savefig(file, dpi=90, metadata={"Software": None})
    plt.close(figure)

"""How many drives it takes to break the requirements of the automatic transmission, beside published figures.

    python -m tests.benchmarks.falsification [--seeds 10] [--most 300] [--page campaigns.md]

Rules' robustness and the chooser of `asflown search` do the work; nothing flies. Requirements AT1 to AT6c as in the
falsification category of the ARCH competition (G. Ernst et al., ARCH-COMP 2019 and 2020), inputs piecewise constant:
six throttles of 5 s and three brakes of 10 s. Published figures come from memory and are rounded to what memory
holds: mean drives of the tools in those reports, over the runs in which they found one.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product
from statistics import mean, median

import numpy as np

from asflown.campaign.optimise import Way, chooser, minimise
from asflown.frames import FloatArray
from asflown.grade.robustness import Robustness, Trace
from asflown.scenario.formula import Always, Flag, Formula, Implies, Predicate, Rise, Term, Window
from asflown.units import Dimension
from tests.benchmarks.falsification.transmission import Drive, check, drive
from tests.benchmarks.page import put, table

THROTTLES, BRAKES, UNTIL_S = 6, 3, 30.0
WAYS: tuple[Way, ...] = ("model", "evolution", "random")


@dataclass(frozen=True, slots=True)
class Requirement:
    """One of the benchmark's, with the published number of drives (from memory)."""

    name: str
    words: str
    formula: Formula
    published: str


def _below(signal: str, bound: float, until_s: float) -> Formula:
    """Always below a bound, up to a time."""
    leaf = Predicate((Term(signal, 1.0),), "<", bound, bound, Dimension.SPEED)
    return Always(leaf, Window(0, round(until_s * 1e6)))


def _stays(gear: int) -> Formula:
    """A gear that is taken is kept for 2.5 s."""
    taken = Flag(f"gear {gear}")
    return Always(Implies(Rise(taken), Always(taken, Window(0, 2_500_000))), Window(0, 30_000_000))


def _slow(mph: float, until_s: float) -> Formula:
    """Low revolutions throughout mean a low speed at first."""
    return Implies(_below("rpm", 3000.0, 30.0), _below("mph", mph, until_s))


REQUIREMENTS = (
    Requirement("AT1", "always [0, 20 s] mph < 120", _below("mph", 120.0, 20.0), "10 to 120"),
    Requirement("AT2", "always [0, 10 s] rpm < 4750", _below("rpm", 4750.0, 10.0), "2 to 25"),
    *(
        Requirement(f"AT5{gear}", f"gear {gear}, once taken, is kept for 2.5 s", _stays(gear), "3 to 130")
        for gear in (1, 2, 3, 4)
    ),
    Requirement("AT6a", "rpm < 3000 implies always [0, 4 s] mph < 35", _slow(35.0, 4.0), "45 to 120"),
    Requirement("AT6b", "rpm < 3000 implies always [0, 8 s] mph < 50", _slow(50.0, 8.0), "80 to 200"),
    Requirement("AT6c", "rpm < 3000 implies always [0, 20 s] mph < 65", _slow(65.0, 20.0), "80 to 200"),
)


def driven(point: FloatArray) -> Drive:
    """The drive at a point of the unit cube: throttles first, then brakes."""
    pedals, brakes = 100.0 * point[:THROTTLES], 325.0 * point[THROTTLES:]
    each_s, long_s = UNTIL_S / THROTTLES, UNTIL_S / BRAKES
    return drive(
        lambda at: float(pedals[min(THROTTLES - 1, int(at / each_s))]),
        lambda at: float(brakes[min(BRAKES - 1, int(at / long_s))]),
        UNTIL_S,
    )


def trace_of(one: Drive) -> Trace:
    """Its signals, with a flag for each gear."""
    gears = {f"gear {gear}": np.where(one.gear == gear, 1.0, -1.0) for gear in (1, 2, 3, 4)}
    signals = {"mph": one.mph, "rpm": one.rpm, **gears}
    return Trace(np.round(one.time_s * 1e6).astype(np.int64), signals, frozenset(gears))


def needed(requirement: Requirement, way: Way, seed: int, most: int) -> int:
    """Drives until one breaks it; one more than `most` where none did."""

    def value_of(point: FloatArray) -> float:
        return float(Robustness(trace_of(driven(point))).of(requirement.formula)[0])

    found = minimise(value_of, chooser(way, THROTTLES + BRAKES, seed), most)
    return len(found) if found[-1] < 0 else most + 1


def _job(what: tuple[int, Way, int, int]) -> int:
    number, way, seed, most = what
    return needed(REQUIREMENTS[number], way, seed, most)


def main() -> None:
    """Prints the table, and puts it into a page where asked."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--most", type=int, default=300)
    parser.add_argument("--only", nargs="*", help="names of requirements")
    parser.add_argument("--page")
    options = parser.parse_args()
    numbers = [
        number for number, one in enumerate(REQUIREMENTS) if not options.only or one.name in options.only
    ]
    jobs = [
        (number, way, seed, options.most)
        for number, way, seed in product(numbers, WAYS, range(options.seeds))
    ]
    with ProcessPoolExecutor(2) as pool:
        found = dict(zip(jobs, pool.map(_job, jobs), strict=True))
    rows = []
    for number in numbers:
        one = REQUIREMENTS[number]
        cells = [
            _cell([found[number, way, seed, options.most] for seed in range(options.seeds)], options.most)
            for way in WAYS
        ]
        rows.append([one.name, one.words, *cells, one.published])
    facts = check()
    text = table(["", "requirement", *(f"`{way}`" for way in WAYS), "published (from memory)"], rows)
    text += (
        f"\n\nMean (median) drives until the requirement is broken, over the seeds that broke it within {options.most}"
        f" of {options.seeds}; how many did, where not all. At full throttle the model reaches"
        f" {facts['mph_20s']:.1f} mph within 20 s and {facts['rpm_10s']:.0f} rpm within 10 s."
    )
    print(text)
    if options.page:
        put(options.page, "falsification", text)


def _cell(counts: list[int], most: int) -> str:
    broke = [count for count in counts if count <= most]
    if not broke:
        return f"none of {len(counts)}"
    of = "" if len(broke) == len(counts) else f", {len(broke)} of {len(counts)}"
    return f"{mean(broke):.0f} ({median(broke):.0f}){of}"


if __name__ == "__main__":
    main()

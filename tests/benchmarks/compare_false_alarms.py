"""How often `asflown compare` finds a change where there is none, and the smallest change it finds four times in five.

    python -m tests.benchmarks.compare_false_alarms [--flights 60] [--pairs 200] [--place DIR] [--workers 1] [--page]

The demo nest-boxes is flown with that many seeds. Pairs of sets are drawn from these flights, without replacement
inside a pair, so that no flight is on both sides; a flight is in many pairs, though, so the rates are not as sure as
that many independent pairs would make them. Changed flights are flown with seeds of their own: acceleration lowered,
or stronger wind, step by step. Nothing but the captures is looked at (blind), and no flight has a twin.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from asflown.change.compare import compare
from asflown.change.findings import Comparison
from asflown.change.samples import LEVEL
from asflown.change.sets import FlownFlight, make_set
from tests.benchmarks.compare_variants import Variant, flown
from tests.benchmarks.page import put, table

BASE = Variant("base", "the demo")
SIZES = (5, 10, 20)
SEED = 9
ACCELERATIONS = (2.2, 1.9, 1.6, 1.3)
WINDS = (3.0, 3.5, 4.0, 5.0)
CHANGED_FROM = 1001
"""First seed of changed flights; the unchanged ones count from 1."""
WANTED = 0.8

Flights = Sequence[FlownFlight]


def variants() -> list[Variant]:
    """The changes, the smallest first in each series."""
    slower = [
        Variant(f"acceleration-{a}", f"acceleration 2.5 to {a} m/s²", parameters={"acceleration": a})
        for a in ACCELERATIONS
    ]
    windy = [
        Variant(
            f"wind-{w}",
            f"wind 2 to {w} m/s",
            "nest-boxes.scenario.yaml",
            "speed: 2 m/s, from",
            f"speed: {w} m/s, from",
        )
        for w in WINDS
    ]
    return slower + windy


def drawn(
    chance: np.random.Generator, a: Flights, b: Flights | None, size: int
) -> tuple[list[FlownFlight], list[FlownFlight]]:
    """Two sets of `size`: disjoint ones of `a`, or one of each."""
    if b is None:
        chosen = chance.permutation(len(a))[: 2 * size]
        return [a[k] for k in chosen[:size]], [a[k] for k in chosen[size:]]
    return [a[k] for k in chance.permutation(len(a))[:size]], [
        b[k] for k in chance.permutation(len(b))[:size]
    ]


def compared(
    chance: np.random.Generator, a: Flights, b: Flights | None, size: int, pairs: int
) -> list[Comparison]:
    """Many comparisons of sets drawn from the same flights."""
    drawings = (drawn(chance, a, b, size) for _ in range(pairs))
    return [compare(make_set("A", one), make_set("B", other), blind=True) for one, other in drawings]


def found_anything(one: Comparison) -> bool:
    """Whether anything was said to have changed, beyond chance."""
    return any(found.seen != "given" and found.confidence != "weak" for found in one.findings)


def false_alarm_rows(base: Flights, pairs: int) -> list[list[str]]:
    """For each size of set: how often anything, and how often a measure, was said to have changed; the conclusions."""
    chance = np.random.default_rng(SEED)
    rows = []
    for size in SIZES:
        if 2 * size > len(base):
            continue
        found = compared(chance, base, None, size, pairs)
        any_of = sum(map(found_anything, found))
        measures = sum(any(one.word.startswith("changed") for one in each.measures) for each in found)
        words = [
            sum(each.conclusion == word for each in found) for word in ("same", "different", "inconclusive")
        ]
        rows.append(
            [
                f"{size} and {size}",
                f"{any_of} of {pairs} ({any_of / pairs:.1%})",
                str(measures),
                *map(str, words),
            ]
        )
    return rows


def detection_rows(
    base: Flights, changed: Mapping[str, tuple[Variant, Flights]], pairs: int
) -> list[list[str]]:
    """For each change: in how many of the comparisons it was found, by size of set."""
    rows = []
    for variant, flights in changed.values():
        chance = np.random.default_rng(SEED)
        shares = []
        for size in SIZES:
            found = compared(chance, base, flights, size, pairs) if size <= len(flights) else []
            shares.append(f"{sum(map(found_anything, found)) / len(found):.0%}" if found else "-")
        moved = "; ".join(_moved(base, flights))
        rows.append([variant.says, moved, *shares])
    return rows


def _moved(base: Flights, changed: Flights) -> list[str]:
    """What the change does to the measures, in standard deviations of the unchanged flights, where it is most."""
    one, other = make_set("A", base), make_set("B", changed)
    sizes = []
    for name, source in one.measures():
        a, b = one.values(name, source), other.values(name, source)
        sizes.append(((np.mean(b) - np.mean(a)) / np.std(a, ddof=1), name, float(np.mean(b) - np.mean(a))))
    most = max(sizes, key=lambda found: abs(found[0]))
    return [f"{most[1]} {most[2]:+.2f} ({most[0]:+.1f} sd)"]


def smallest(rows: list[list[str]]) -> list[str]:
    """The smallest change of each series that was found four times in five, by size of set."""
    told = []
    for series in ("acceleration", "wind"):
        own = [row for row in rows if row[0].startswith(series)]
        for place, size in enumerate(SIZES, 2):
            enough = (row[0] for row in own if row[place] != "-" and float(row[place][:-1]) >= 100 * WANTED)
            told.append(f"- {series}, {size} flights a side: {next(enough, 'none of those flown')}")
    return told


def main() -> None:
    """Flies what is missing and prints the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--flights", type=int, default=60)
    parser.add_argument("--changed", type=int, default=40)
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--place", type=Path, help="where flights are kept, to go on with")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = (options.place or Path(folder)).resolve()
        place.mkdir(parents=True, exist_ok=True)
        base = list(flown(BASE, range(1, options.flights + 1), place, workers=options.workers).values())
        seeds = range(CHANGED_FROM, CHANGED_FROM + options.changed)
        changed = {
            one.name: (one, list(flown(one, seeds, place, workers=options.workers).values()))
            for one in variants()
        }
        alarms = false_alarm_rows(base, options.pairs)
        detected = detection_rows(base, changed, options.pairs // 2)
    heads = [
        "flights a side",
        f"anything changed (level {LEVEL:.0%})",
        "a measure changed",
        "same",
        "different",
        "not decided",
    ]
    text = f"{len(base)} unchanged flights, {options.pairs} pairs of sets drawn from them:\n\n" + table(
        heads, alarms
    )
    heads = ["changed alone", "what that does most to", *(f"{size} a side" for size in SIZES)]
    text += f"\n\nChanges found ({options.changed} flights each):\n\n" + table(heads, detected)
    text += "\n\nThe smallest that were found at least four times in five:\n\n" + "\n".join(
        smallest(detected)
    )
    print(text)
    if options.page:
        put("compare.md", "compare_false_alarms", text)


if __name__ == "__main__":
    main()

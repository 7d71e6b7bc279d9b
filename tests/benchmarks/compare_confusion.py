"""What `asflown compare` names first when one thing alone was changed: a confusion table.

    python -m tests.benchmarks.compare_confusion [--seeds 20] [--place DIR] [--workers 1] [--page]

Seven changes of the demo nest-boxes, each flown over the same seeds: a script edit, parameters, wind, the link's delay,
a release, the clock, nothing. Each is compared with the unchanged demo in four ways: twins (equal seeds), single
flights of unequal seeds, sets of five flights of unequal seeds, and the same sets blind, where nothing but the captures
is looked at. With --page the tables go into harness/docs/compare.md.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from asflown.change.compare import compare
from asflown.change.findings import Cause
from asflown.change.sets import FlownFlight, make_set
from tests.benchmarks.compare_variants import Variant, flown
from tests.benchmarks.page import put, table

BASE = Variant("base", "the demo")
CHANGES = (
    (
        Variant("script", "script: speed 2.0 to 2.2 m/s", "nest_boxes.py", "SPEED = 2.0", "SPEED = 2.2"),
        Cause.SCRIPT,
    ),
    (
        Variant("parameters", "parameters: acceleration 2.5 to 1.5", parameters={"acceleration": 1.5}),
        Cause.PARAMETERS,
    ),
    (
        Variant(
            "wind", "wind: 2 to 4 m/s", "nest-boxes.scenario.yaml", "speed: 2 m/s, from", "speed: 4 m/s, from"
        ),
        Cause.CONDITIONS,
    ),
    (
        Variant(
            "link",
            "link: 60 ms slower each way",
            "nest-boxes.scenario.yaml",
            "radio: sub-ghz-telemetry",
            "radio: {place}/slow-radio.yaml",
        ),
        Cause.LINK,
    ),
    (Variant("release", "release: r1 to r2", arguments=("--vehicle", "palm80@r2")), Cause.FIRMWARE),
    (Variant("clock", "clock: lockstep to paced", arguments=("--clock", "paced")), Cause.CLOCK),
    (Variant("nothing", "nothing"), Cause.NOTHING),
)
WAYS = ("twins", "single flights", "sets of five", "sets of five, blind")
BLIND_MEANS = {
    Cause.PARAMETERS: Cause.VEHICLE, Cause.FIRMWARE: Cause.VEHICLE, Cause.CLOCK: Cause.NOTHING,
}  # fmt: skip
"""What captures alone can say at best: who made the vehicle fly differently is not in them."""
SIZE = 5


def pairings(
    base: dict[int, FlownFlight], other: dict[int, FlownFlight], way: str
) -> Iterator[tuple[list[FlownFlight], list[FlownFlight]]]:
    """The flights to put side by side."""
    seeds = sorted(set(base) & set(other))
    if way == "twins":
        yield from (([base[seed]], [other[seed]]) for seed in seeds)
    elif way == "single flights":
        yield from (
            ([base[a]], [other[b]]) for a, b in zip(seeds, seeds[1:] + seeds[:1], strict=True) if a != b
        )
    else:
        groups = [seeds[k : k + SIZE] for k in range(0, len(seeds) - SIZE + 1, SIZE)]
        for a, b in zip(groups, groups[1:] + groups[:1], strict=True):
            if a != b:
                yield [base[seed] for seed in a], [other[seed] for seed in b]


def first_cause(a: list[FlownFlight], b: list[FlownFlight], *, blind: bool) -> Cause:
    """What `compare` puts first."""
    return compare(make_set("A", a), make_set("B", b), blind=blind).first.cause


def counted(place: Path, seeds: int, workers: int) -> dict[str, dict[str, Counter[Cause]]]:
    """How often each cause was named first, by way and by change."""
    wanted = range(1, seeds + 1)
    base = flown(BASE, wanted, place, workers=workers)
    found: dict[str, dict[str, Counter[Cause]]] = {way: {} for way in WAYS}
    for variant, _ in CHANGES:
        # flights in wall time mostly sleep, so several fit
        other = flown(variant, wanted, place, workers=max(workers, 5 if variant.name == "clock" else 1))
        for way in WAYS:
            blind = way.endswith("blind")
            named = [first_cause(a, b, blind=blind) for a, b in pairings(base, other, way)]
            found[way][variant.name] = Counter(named)
    return found


def rows_of(way: str, found: dict[str, Counter[Cause]]) -> list[list[str]]:
    """One row for each change: how often what was right to name was named, and what else was."""
    rows = []
    for variant, cause in CHANGES:
        right = BLIND_MEANS.get(cause, cause) if way.endswith("blind") else cause
        named = found[variant.name]
        others = ", ".join(f"{one.name.lower()} {n}" for one, n in named.most_common() if one is not right)
        rows.append([variant.says, right.name.lower(), f"{named[right]} of {named.total()}", others or "-"])
    return rows


def main() -> None:
    """Flies what is missing and prints the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--place", type=Path, help="where flights are kept, to go on with")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = options.place or Path(folder)
        place.mkdir(parents=True, exist_ok=True)
        found = counted(place.resolve(), options.seeds, options.workers)
    heads = ["changed alone", "to be named", "named first", "named instead"]
    text = f"{options.seeds} seeds for each change.\n"
    for way in WAYS:
        text += f"\n{way.capitalize()}:\n\n{table(heads, rows_of(way, found[way]))}\n"
    print(text)
    if options.page:
        put("compare.md", "compare_confusion", text)


if __name__ == "__main__":
    main()

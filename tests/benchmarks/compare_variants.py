"""Flights that differ from those of a demo by one thing: what the evidence of `asflown compare` is made from.

Each variant is a copy of the demo's folder with one text replaced, or a choice of the command line, as its user would
make it. Flights that a store already has are not flown again.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from asflown.change.sets import FlownFlight, flights_in

DEMO = Path(__file__).parents[2] / "scenarios" / "nest_boxes"
SLOW_RADIO = """\
asflown: 1
name: slow-radio
summary: The demos' telemetry radio, 60 ms slower each way.
half_duplex: {turn_around: 2 ms, window: 20 ms}
status: {every: 1 s}
both:
  rate: 5760 B/s
  overhead: 6 B
  buffer: 2048 B
  latency: 80 ms
  jitter: 20 ms
  loss: {good_to_bad: 0.4 %, bad_to_good: 40 %}
"""
VEHICLE = "asflown: 1\nname: palm80\nkind: built-in\nairframe: palm80\nparameters: {start: tuned.csv}\n"


@dataclass(frozen=True)
class Variant:
    """One thing that is different."""

    name: str
    says: str
    file: str = ""
    old: str = ""
    new: str = ""
    arguments: tuple[str, ...] = ()
    parameters: dict[str, float] = field(default_factory=dict)


def write(variant: Variant, place: Path) -> list[str]:
    """Makes the variant's folder; returns the arguments of `asflown fly` that fly it."""
    folder = place / variant.name
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("__pycache__", "baseline"))
    (place / "slow-radio.yaml").write_text(SLOW_RADIO, encoding="utf-8")
    if variant.file:
        file = folder / variant.file
        text = file.read_text(encoding="utf-8")
        assert variant.old in text, f"{variant.old} is not in {file}"
        new = variant.new.replace("{place}", str(place))
        file.write_text(text.replace(variant.old, new, 1), encoding="utf-8")
    arguments = [str(folder), *variant.arguments]
    if variant.parameters:
        tuning = place / f"{variant.name}-vehicle"
        tuning.mkdir(exist_ok=True)
        lines = "".join(f"{name},{value}\n" for name, value in variant.parameters.items())
        (tuning / "tuned.csv").write_text(lines, encoding="utf-8")
        (tuning / "tuned.vehicle.yaml").write_text(VEHICLE, encoding="utf-8")
        arguments += ["--vehicle", str(tuning / "tuned.vehicle.yaml")]
    return arguments


def flown(variant: Variant, seeds: Iterable[int], place: Path, *, workers: int = 1) -> dict[int, FlownFlight]:
    """The variant's flights by seed, those that are not there yet flown now."""
    store = place / "flights" / variant.name
    have = by_seed(store)
    missing = [seed for seed in seeds if seed not in have]
    while missing:
        run = 1
        while run < len(missing) and missing[run] == missing[0] + run:
            run += 1
        command = [sys.executable, "-m", "asflown", "fly", *write(variant, place), "--keep", str(store)]
        counted = ["--seed", str(missing[0]), "--flights", str(run), "--workers", str(workers)]
        subprocess.run([*command, *counted], capture_output=True, check=False, cwd=place)
        missing = missing[run:]
    return {seed: one for seed, one in by_seed(store).items() if seed in set(seeds)}


def by_seed(store: Path) -> dict[int, FlownFlight]:
    """The flights of a store that were carried out."""
    found = flights_in(store) if store.is_dir() else iter(())
    return {one.manifest.seed: one for one in found if one.manifest.outcome not in {"error", "interrupted"}}

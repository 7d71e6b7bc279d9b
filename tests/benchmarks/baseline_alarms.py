"""How often flights are said to differ from a baseline: `python -m tests.benchmarks.baseline_alarms` (two minutes).

Six measures of independent normal flights, ten in the baseline; tolerance 1 m, band 0.1 m, one deviation 0.1 m. In
each row 300 baselines and as many sets of new flights; what is promised is 2 % false alarms over all six measures.
Those that change do so in one measure, by so many deviations (a change of one deviation is just the band).
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from asflown.change.baseline_judge import judge_against
from asflown.change.baseline_make import make_baseline
from asflown.change.sets import FlightSet, flights_in, make_set
from tests.unit.change.stored import store_flight
from tests.unit.change.test_baseline import scenario_file

MEASURES = (
    "cross_track_p95",
    "cross_track_rms",
    "cross_track_max",
    "vertical_p95",
    "vertical_rms",
    "landing_offset",
)
SCENARIO = """\
asflown: 1
name: hop
vehicle: palm80
script: {run: [python, hop.py, "{link}"]}
expect:
  path: {legs: [{climb: {to: 3 m}}, {line: {to: [8 m, 0 m, 3 m]}}, {land: {}}]}
  measures:
""" + "".join(f"    {name}: {{at_most: 1 m}}\n" for name in MEASURES)
ROUNDS, BASELINE, DEVIATION_M = 300, 10, 0.1
ROWS = [(new, shift) for new in (3, 5, 10, 20) for shift in (0.0, 1.0, 1.5, 2.0, 3.0)]


def flights(
    folder: Path, generator: np.random.Generator, number: int, first_seed: int, shift: float
) -> FlightSet:
    """A set of made-up flights."""
    for flight in range(number):
        values = {name: float(generator.normal(0.4, DEVIATION_M)) for name in MEASURES}
        values[MEASURES[0]] += shift * DEVIATION_M
        scenario = folder.parent / "hop.scenario.yaml"
        store_flight(folder, flight, seed=first_seed + flight, values=values, scenario_file=scenario)
    return make_set(folder.name, flights_in(folder))


def main() -> None:
    """Prints a row for each number of new flights and size of change."""
    generator = np.random.default_rng(99)
    print("| new flights | change, deviations | said to differ |\n|---|---|---|")
    for new, shift in ROWS:
        differ = 0
        for _ in range(ROUNDS):
            with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as name:
                folder = Path(name)
                scenario_file(folder, SCENARIO)
                kept = make_baseline(flights(folder / "before", generator, BASELINE, 1, 0.0))
                found = judge_against(kept, flights(folder / "now", generator, new, 101, shift))
                differ += found.conclusion == "different"
        print(f"| {new} | {shift:g} | {differ / ROUNDS:.3f} |", flush=True)


if __name__ == "__main__":
    main()

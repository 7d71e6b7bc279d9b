"""Evidence on searches: `python -m tests.benchmarks.bisect_searches [noisy] [builds] [parameters]`.

`noisy` (seconds) bisects eight builds fifty times with simulated noise, and forty changed parameters as often: wrong
answers, flights spent, and what repeating each step ten times would have spent. `builds` (a minute) flies r1 against
the approved baseline of its release line as a nightly run would, and bisects r1 to r3 over the eight builds that led
there, weir-gauge on field1400. `parameters` (minutes) flies nest-boxes on palm80 with forty changed parameters, one of
them responsible, and two that are only together. Everything is lockstep: it can be repeated bit by bit.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Sequence
from pathlib import Path
from statistics import mean

import numpy as np

from asflown.change.bisect import first_bad
from asflown.change.bisect_questions import Rates
from asflown.change.delta import changes_of, responsible
from asflown.cli.main import main as asflown
from asflown.scenario.model import Conditions, Identity, Start
from asflown.scenario.parameter_file import write_parameters
from asflown.sim.craft import Craft
from asflown.sim.interface import CraftSetup
from asflown.sim.releases import RELEASES, gains_of
from tests.unit.change.searching import noisy, run
from tests.unit.source import ROOT

SEARCHES = 50
REPEATED = 10
NOISE = {"as stated": (0.05, 0.6), "milder": (0.02, 0.8), "none": (0.0, 1.0)}
"""How often flights of good and of bad candidates are bad; the rates stated to the search are those of the first."""


def noisy_bisects() -> list[str]:
    """A row for each noise: eight builds, and forty parameters with one, and two, responsible."""
    rows = []
    for name, (good, bad) in NOISE.items():
        found: list[tuple[bool, int, int]] = []
        for seed in range(SEARCHES):
            first = 1 + seed % 7
            builds = [f"b{number}" for number in range(8)]
            answer, _ = run(first_bad(builds, Rates()), noisy(builds[first:].__contains__, good, bad, seed))
            found.append((answer.first_bad == f"b{first}", answer.flights, len(answer.steps)))
        rows.append(_row("eight builds", name, found))
        rows += [_row(f"{n} of forty parameters", name, _deltas(n, good, bad)) for n in (1, 2)]
    return rows


class _Together:
    """Bad is what has all of some changes."""

    def __init__(self, wanted: set[str]) -> None:
        self._wanted = wanted

    def __call__(self, candidate: str) -> bool:
        return self._wanted <= set(changes_of(candidate))


def _deltas(guilty: int, good: float, bad: float) -> list[tuple[bool, int, int]]:
    changes = [f"p{number:02d}" for number in range(40)]
    found = []
    for seed in range(SEARCHES):
        wanted = set(np.random.default_rng(1000 + seed).choice(changes, guilty, replace=False).tolist())
        answer, _ = run(responsible(changes, Rates()), noisy(_Together(wanted), good, bad, seed))
        found.append((set(answer.changes) == wanted, answer.flights, len(answer.steps)))
    return found


def _row(what: str, noise: str, found: Sequence[tuple[bool, int, int]]) -> str:
    wrong = sum(not right for right, _, _ in found)
    flights, steps = mean(f for _, f, _ in found), mean(s for _, _, s in found)
    return f"| {what} | {noise} | {wrong} of {len(found)} | {flights:.1f} | {REPEATED * steps:.0f} |"


def flown_builds(work: Path) -> list[str]:
    """The nightly run that fails, and the bisection that says since when."""
    scenario = ROOT / "scenarios" / "weir_gauge"
    keep = ["--keep", str(work / "flights")]
    nightly = ["fly", str(scenario), "--vehicle", "field1400@r3", "--against-baseline", "r1", *keep]
    code = asflown(nightly)
    answer = work / "builds.json"
    asflown(["bisect", str(scenario), "--releases", "field1400", "r1", "r3.8", *keep,
             "--state", str(work / "builds.state.json"), "--json", str(answer)])  # fmt: skip
    found = json.loads(answer.read_text())
    says = f"{found['says']}; confidence {found['confidence']:.3f}"
    steps = REPEATED * len(found["steps"])
    return [
        f"| nightly run of r3 against the baseline of r1 | exit code {code} | 3 | |",
        f"| bisect r1 to r3 over eight builds | {says} | {found['flights']} | {steps} |",
    ]


def parameter_files(work: Path, guilty: dict[str, tuple[float, float]]) -> tuple[Path, Path, int]:
    """A good and a bad file that differ in forty parameters: harmless ones by a few per cent, and the guilty."""
    craft = Craft(CraftSetup("palm80", "r1", Start(), Conditions(), 1), Identity())
    own = craft.parameters() | gains_of(RELEASES["r1"].tunings["palm80"])
    whole = {"link.loss.act", "gnss.loss.act", "estimator.act", "fence.act", "fence.ceiling", "fence.distance",
             "sticks.neutral", "sticks.take.over", "sticks.loss.act"}  # fmt: skip
    harmless = [name for name in own if name not in whole and name not in guilty][: 40 - len(guilty)]
    generator = np.random.default_rng(40)
    good = {name: own[name] for name in harmless}
    bad = {name: own[name] * float(generator.uniform(0.97, 0.995)) for name in harmless}
    for name, (before, after) in guilty.items():
        good[name], bad[name] = before, after
    files = work / "good.params.csv", work / "bad.params.csv"
    write_parameters(files[0], dict(sorted(good.items())))
    write_parameters(files[1], dict(sorted(bad.items())))
    return *files, len(bad)


GUILTY = {
    "one": {"speed.travel": (5.0, 0.6)},
    "two, only together": {"acceleration": (2.0, 0.35), "speed.landing": (0.4, 0.1)},
}
"""What is responsible: the value that is good, and the bad one. The two lie far apart in the order of names."""
BAD_WHEN = {"one": [], "two, only together": ["--bad-when", "duration > 75 s"]}
"""Slow to speed up takes 67 s, slow to land 65 s, both together 87 s; else 45 s."""


def flown_parameters(work: Path) -> list[str]:
    """Forty changed parameters, flown."""
    rows = []
    for name, guilty in GUILTY.items():
        folder = work / name.partition(",")[0]
        folder.mkdir(parents=True)
        good, bad, number = parameter_files(folder, guilty)
        answer = folder / "answer.json"
        asflown(["bisect", str(ROOT / "scenarios" / "nest_boxes"), "--vehicle", "palm80@r1",
                 "--parameters", str(good), str(bad), "--good-rate", "0.02", "--bad-rate", "0.95", *BAD_WHEN[name],
                 "--keep", str(folder / "flights"), "--state", str(folder / "state.json"),
                 "--json", str(answer)])  # fmt: skip
        found = json.loads(answer.read_text())
        right = "right" if set(found["changes"]) == set(guilty) else "WRONG"
        rows.append(
            f"| {name} of {number} parameters | {right}: {', '.join(found['changes'])}; confidence "
            f"{found['confidence']:.3f} | {found['flights']} | {REPEATED * len(found['steps'])} |"
        )
    return rows


def main() -> None:
    """Runs what was asked for and prints its tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", nargs="*", choices=["noisy", "builds", "parameters"], default=["noisy"])
    parser.add_argument("--work", type=Path, help="where flights go")
    options = parser.parse_args()
    work = options.work or Path(tempfile.mkdtemp(prefix="asflown-bisect-"))
    flown: list[str] = []
    if "builds" in options.what:
        flown += flown_builds(work)
    if "parameters" in options.what:
        flown += flown_parameters(work)
    if "noisy" in options.what:
        print("| search | noise | wrong | flights, mean | each step ten times |\n|---|---|---|---|---|")
        print("\n".join(noisy_bisects()))
    if flown:
        print("\n| flown | answer | flights | each step ten times |\n|---|---|---|---|")
        print("\n".join(flown))


if __name__ == "__main__":
    main()

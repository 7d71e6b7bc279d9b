"""Finds three planted weaknesses by `asflown search`'s own search, five seeds each, beside search by chance.

    python -m tests.benchmarks.search_evidence --into DIR [--minutes 9] [--page campaigns.md] [--only gust]

Flights are capped at 60; what is found is shrunk, written as a scenario file, and that file is flown: it must fail the
same way, and each flight one step gentler must have passed. Every flight is noted in DIR, so the command goes on where
it was: after --minutes no further search begins a flight. Two searches run side by side.
"""

from __future__ import annotations

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from itertools import product
from pathlib import Path
from statistics import median

from asflown.campaign.campaign import campaign_of
from asflown.campaign.flying import Outcome, Task, fly_task
from asflown.campaign.optimise import Way
from asflown.campaign.plan import Drawn, identity, seed_of
from asflown.campaign.regression import write_regression
from asflown.campaign.search import nominal_of, search, shrink
from asflown.scenario.file import load_scenario
from tests.benchmarks.page import put, table
from tests.benchmarks.planted import PLANTS, Plant, write_planted

MOST, SEEDS = 60, range(1, 6)
WAYS: tuple[Way, ...] = ("model", "random")


class OutOfTime(Exception):
    """No further flight begins."""


@dataclass(slots=True)
class Noted:
    """Flies, and keeps every outcome in a file of its own: what is there is not flown again."""

    scenario: Path
    seed: int
    file: Path
    until_s: float
    known: dict[str, Outcome] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Reads what was flown before."""
        lines = self.file.read_text(encoding="utf-8").splitlines() if self.file.exists() else []
        for line in lines:
            one = Outcome(**json.loads(line))
            self.known[json.dumps(one.given, sort_keys=True)] = one

    def evaluate(self, given: dict[str, str]) -> Outcome:
        """The outcome of these values."""
        key = json.dumps(given, sort_keys=True)
        if key not in self.known:
            if time.monotonic() > self.until_s:
                raise OutOfTime
            drawn = Drawn(len(self.known), self.seed, given)
            flights = self.file.with_suffix(".flights")
            self.known[key] = fly_task(Task(drawn, self.scenario, "palm80", "any", flights, "none"))
            with self.file.open("a", encoding="utf-8") as out:
                out.write(json.dumps(asdict(self.known[key])) + "\n")
        return self.known[key]


@dataclass(frozen=True, slots=True)
class Found:
    """What one search found."""

    flights: int
    """Until the first that fails; one more than MOST for none."""
    takes: str = ""
    file_fails: bool | None = None
    gentler_pass: bool | None = None
    shrinking: int = 0


def one_search(into: Path, plant: Plant, seed: int, way: Way, until_s: float) -> Found | None:
    """One search, from its first flight to the regression file; None when time ran out."""
    scenario = write_planted((into / f"{plant}-{seed}-{way}").resolve(), plant, seed)
    loaded = load_scenario(scenario)
    campaign = campaign_of(loaded)
    flown_with = seed_of(identity(campaign, loaded.scenario.name), 0)
    noted = Noted(scenario, flown_with, scenario.parent / "flown.jsonl", until_s)
    try:
        found = search(campaign, noted.evaluate, MOST, way)
        needed = len(found.tries) if found.failing is not None else MOST + 1
        if found.failing is None or way == "random":
            return Found(needed)
        shrink(found, campaign, nominal_of(loaded), noted.evaluate)
        assert found.simplest is not None
        file = write_regression(loaded, found.simplest, scenario.with_name("found.scenario.yaml"))
        again = Noted(file, flown_with, scenario.parent / "again.jsonl", until_s).evaluate({})
    except OutOfTime:
        return None
    same = again.verdict == "fail" and again.reason == found.simplest.outcome.reason
    gentle = all(one.outcome.verdict == "pass" for one in found.gentler)
    takes = ", ".join(
        f"{key.removeprefix('conditions.')} {text}" for key, text in found.simplest.given.items()
    )
    return Found(needed, takes, same, gentle, len(found.tries) - needed)


def _job(what: tuple[Path, Plant, int, Way, float]) -> Found | None:
    return one_search(*what)


def main() -> None:
    """Searches, prints, and writes the page where asked and all is done."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--into", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--only", nargs="*", choices=list(PLANTS))
    parser.add_argument("--page")
    options = parser.parse_args()
    plants = [plant for plant in PLANTS if not options.only or plant in options.only]
    until_s = time.monotonic() + 60 * options.minutes
    jobs = [(options.into, *what, until_s) for what in product(plants, SEEDS, WAYS)]
    with ProcessPoolExecutor(2) as pool:
        found = {job[1:4]: one for job, one in zip(jobs, pool.map(_job, jobs), strict=True)}
    rows = [_row(plant, [[found[plant, seed, way] for seed in SEEDS] for way in WAYS]) for plant in plants]
    heads = ["planted weakness", "flights, `model`", "median", "flights, by chance", "median"]
    text = table([*heads, "written scenario fails, a step gentler passes"], rows)
    text += (
        f"\n\nFive seeds each, in order; `-`: none within {MOST} flights. Shrinking takes further flights."
    )
    for plant, seed in product(plants, SEEDS):
        one = found[plant, seed, "model"]
        if one is not None and one.takes:
            print(
                f"{plant}, seed {seed}: {one.flights} flights and {one.shrinking} to shrink; it takes {one.takes}"
            )
    print(text)
    if None in found.values():
        print("not done yet: give the same command again")
    elif options.page:
        put(options.page, "search_evidence", text)


def _row(plant: Plant, by_way: list[list[Found | None]]) -> list[str]:
    cells = [PLANTS[plant]]
    for ones in by_way:
        done = [one.flights for one in ones if one is not None]
        cells.append(" ".join("?" if one is None else _number(one.flights) for one in ones))
        cells.append(_number(round(median(done))) if done else "?")
    shrunk = [one for one in by_way[0] if one is not None and one.file_fails is not None]
    right = sum(bool(one.file_fails and one.gentler_pass) for one in shrunk)
    return [*cells, f"{right} of {len(shrunk)}"]


def _number(flights: int) -> str:
    return "-" if flights > MOST else f"{flights}"


if __name__ == "__main__":
    main()

"""The lockstep half of the soak: one `asflown fly` that flies all demo scenarios again and again for hours."""

from __future__ import annotations

import shutil
import subprocess
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from asflown.grade.grade import read_grade
from asflown.record import manifest as manifests
from tests.benchmarks.demo_flights import DEMOS
from tests.benchmarks.soak_looks import Curve, looked_at
from tests.flights.flying import SCENARIOS, command

EVERY_S = 1.0


@dataclass(frozen=True)
class Flown:
    """What one process has flown, and what it held meanwhile."""

    curves: dict[str, Curve]
    exit_code: int
    verdicts: Counter[str]
    flight_time_s: float
    wall_time_s: float


def rounds_of(folder: Path, rounds: int) -> Path:
    """Copies of all demos, as often as they are to be flown, in the order in which the command takes them."""
    for number in range(rounds):
        for demo in DEMOS:
            place = folder / f"round-{number:03d}" / demo
            shutil.copytree(SCENARIOS / demo, place, ignore=shutil.ignore_patterns("__pycache__"))
    return folder


def fly_for_hours(folder: Path, rounds: int) -> Flown:
    """Flies all of them by one command, which is one process; only scripts are processes of their own."""
    asked = rounds_of(folder / "asked", rounds)
    words = command("fly", asked, "--clock", "lockstep", "--keep", folder / "flights")
    with (folder / "said").open("wb") as said:
        process = subprocess.Popen(words, cwd=folder, stdout=said, stderr=said, stdin=subprocess.DEVNULL)
        with looked_at(lambda: {"asflown fly": process.pid}, EVERY_S) as curves:
            code = process.wait()
    flights = [one for one in (folder / "flights").iterdir() if (one / manifests.FILE_NAME).exists()]
    flown = [manifests.read(one) for one in flights]
    return Flown(
        curves,
        code,
        Counter(str(read_grade(one).verdict) for one in flights),
        sum(one.flight_time_s for one in flown),
        sum(one.wall_time_s for one in flown),
    )

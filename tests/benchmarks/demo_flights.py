"""The demo scenarios on every release, and on both clocks: verdicts, what changes in the measures, and the pace.

    python -m tests.benchmarks.demo_flights [releases] [clocks] [variants] [--page]

`releases`: three seeds each on r1, r2 and r3; beside them what the flights of r1 predict for the mistake of r3, which
halves the tilt it may use: the share of flight time in which r1 leaned farther than r3 may. `clocks`: the first seed
in lockstep and paced by wall time. `variants`: each wrong script with its reason. With --page the tables go into
harness/docs/demos.md. The pace means something on an otherwise idle machine alone.
"""

from __future__ import annotations

import argparse
import json
import math
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from asflown.record.truth import TRUTH_COLUMNS
from asflown.sim.airframe import AIRFRAMES
from asflown.sim.controller.opening_angle import level_share
from tests.benchmarks.page import put, table

ROOT = Path(__file__).parents[2]
DEMOS = {
    "nest_boxes": "palm80", "glasshouse_rows": "palm80", "low_battery_walk_back": "palm80",
    "weir_gauge": "field1400", "mast_circle": "field1400", "radio_shadow": "field1400",
}  # fmt: skip
LEANS = 0.10
"""Share of flight time beyond the tilt of r3 from which r3 should be seen."""


def fly(scenario: Path, folder: Path, *more: str) -> dict[str, Any]:
    """The JSON report of a scenario file or folder."""
    report = folder / f"{scenario.stem}{len(list(folder.iterdir()))}.json"
    command = [sys.executable, "-m", "asflown", "fly", str(scenario), "--json", str(report)]
    subprocess.run([*command, "--keep", str(folder / "flights"), *more], capture_output=True, check=False)
    found: dict[str, Any] = json.loads(report.read_text(encoding="utf-8"))
    return found


def verdicts(report: dict[str, Any]) -> str:
    """How many of the flights passed."""
    passed = sum(flight["verdict"] == "pass" for flight in report["flights"])
    return f"{passed} of {len(report['flights'])}"


def mean(report: dict[str, Any], name: str) -> float:
    """Of a measure over the flights; NaN where it was not measured."""
    values = [m["value"] for f in report["flights"] for m in f["measures"] if m["name"] == name]
    return float(np.mean([math.nan if value is None else value for value in values])) if values else math.nan


def leaning(report: dict[str, Any], airframe: str) -> float:
    """Share of armed flight time in which the craft truly leaned farther than release r3 lets it, over all flights."""
    most_rad = math.atan(level_share(AIRFRAMES[airframe].limits().tilt_rad))
    place = {name: index for index, name in enumerate(TRUTH_COLUMNS)}
    shares = []
    for flight in report["flights"]:
        truth = np.load(Path(flight["folder"]) / "truth.npy")
        upright = np.cos(truth[:, place["roll_rad"]]) * np.cos(truth[:, place["pitch_rad"]])
        shares.append(np.mean(np.arccos(upright)[truth[:, place["armed"]] > 0] > most_rad))
    return float(np.mean(shares))


def releases(folder: Path) -> str:
    """The table of releases."""
    rows = []
    for demo, airframe in DEMOS.items():
        found = {
            release: fly(ROOT / "scenarios" / demo, folder, "--vehicle", f"{airframe}@{release}")
            for release in ("r1", "r2", "r3")
        }
        leans = leaning(found["r1"], airframe)
        lateral = [f"{mean(report, 'cross_track_p95'):.2f}".replace("nan", "–") for report in found.values()]
        pace = np.median([flight["pace"] for flight in found["r1"]["flights"]])
        predicted = "fails" if leans >= LEANS else "passes"
        row = [demo.replace("_", "-"), *(verdicts(report) for report in found.values())]
        rows.append([*row, *lateral, f"{leans:.1%}", predicted, f"{pace:.0f}x"])
    heads = [
        "scenario",
        "r1 passed",
        "r2",
        "r3",
        "p95 r1, m",
        "r2",
        "r3",
        "r1 leans beyond r3",
        "so r3",
        "pace r1",
    ]
    return table(heads, rows)


def clocks(folder: Path) -> str:
    """The table of clocks: the verdicts, and the largest difference of a measure as a share of its limit."""
    rows = []
    for demo in DEMOS:
        held, paced = (
            fly(ROOT / "scenarios" / demo, folder, "--flights", "1", "--clock", clock)["flights"][0]
            for clock in ("lockstep", "paced")
        )
        pairs = [
            (a["name"], a["margin"], b["margin"])
            for a, b in zip(held["measures"], paced["measures"], strict=True)
            if None not in (a["margin"], b["margin"])
        ]
        name, one, other = max(pairs, key=lambda pair: abs(pair[1] - pair[2]))
        row = [demo.replace("_", "-"), held["verdict"], paced["verdict"]]
        rows.append([*row, f"{name}: {one:+.3f}, {other:+.3f}"])
    return table(["scenario", "lockstep", "paced", "margins that differ most"], rows)


def variants(folder: Path) -> str:
    """The table of wrong scripts: the verdict and its reason."""
    rows = []
    for scenario in sorted((ROOT / "tests" / "flights" / "variants").glob("*.scenario.yaml")):
        flight = fly(scenario, folder, "--flights", "1")["flights"][0]
        rows.append([scenario.name.removesuffix(".scenario.yaml"), flight["verdict"], flight["reason"]])
    return table(["wrong script", "verdict", "reason"], rows)


TABLES = {"releases": releases, "clocks": clocks, "variants": variants}


def main() -> None:
    """Prints the tables that are asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("tables", nargs="*", choices=[*TABLES, []], default=list(TABLES))
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    for name in options.tables:
        with tempfile.TemporaryDirectory() as folder:
            text = TABLES[name](Path(folder))
        print(text, flush=True)
        if options.page:
            put("demos.md", f"demo_flights.py {name}", text)


if __name__ == "__main__":
    main()

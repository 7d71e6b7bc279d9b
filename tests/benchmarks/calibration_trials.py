"""Vehicles with hidden thrust and drag, found again from their captures: how often the 95 % intervals hold the truth.

    python -m tests.benchmarks.calibration_trials --into DIR [--trials 30] [--seconds 500] [--page]

Each trial draws, by its number: airframe in turn, thrust and drag of the hidden craft, and for three flights wind,
its direction and turbulence (none or light). Two flights are fitted, the third is held out. The flights are flown in
lockstep by the built-in vehicle, with all its noise, as `tests/benchmarks/calibration/` says. Trials that are done stay
in DIR/trials.jsonl: the same command goes on. `--page` puts the table into harness/docs/calibration.md.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from asflown.campaign.calibration.calibrate import calibrated
from asflown.campaign.executor import Local
from asflown.campaign.flying import Task
from asflown.campaign.plan import Drawn
from asflown.scenario.vehicle_file import load_vehicle
from tests.benchmarks import page

HERE = Path(__file__).parent / "calibration"
SCENARIOS = {
    "palm80": HERE / "there-and-back.scenario.yaml",
    "field1400": HERE / "there-and-back-field.scenario.yaml",
}
MOST_WIND_M_S = {"palm80": 2.0, "field1400": 4.0}
FLIGHTS = 3
ASKED, OF = 27, 30

Row = dict[str, Any]


def trial(number: int, keep: Path) -> Row:
    """Flies and fits one hidden craft."""
    rng = np.random.default_rng([11, number])
    airframe = ("palm80", "field1400")[number % 2]
    thrust, drag = rng.uniform(0.85, 1.2), rng.uniform(0.5, 2.0)
    tasks = []
    for flight in range(FLIGHTS):
        given = {
            "conditions.craft.thrust": f"{100 * thrust:.3f} %",
            "conditions.craft.drag": f"{100 * drag:.3f} %",
            "conditions.wind.speed": f"{rng.uniform(0.0, MOST_WIND_M_S[airframe]):.2f} m/s",
            "conditions.wind.from": f"{rng.uniform(0.0, 360.0):.0f} deg",
            "conditions.wind.turbulence": str(rng.choice(["none", "light"])),
        }
        drawn = Drawn(flight, int(rng.integers(2**31)), given)
        tasks.append(Task(drawn, SCENARIOS[airframe], airframe, "lockstep", keep, "all"))
    outcomes = sorted(Local(1).run(tasks), key=lambda one: one.number)
    *fitted, reserved = [Path(one.folder) for one in outcomes]
    found = calibrated(load_vehicle(airframe), fitted, [reserved])
    shutil.rmtree(keep, ignore_errors=True)
    return _row(number, airframe, {"thrust": thrust, "drag": drag}, tasks, found)


def _row(number: int, airframe: str, truth: dict[str, float], tasks: list[Task], found: Any) -> Row:
    (held,) = found.held_out
    row: Row = {"trial": number, "airframe": airframe, "weather": [task.drawn.given for task in tasks]}
    for name, true in truth.items():
        one = getattr(found, name)
        told = None if one is None else [one.value, one.low, one.high]
        row[name] = {"true": true, "found": told, "held": told is not None and told[1] <= true <= told[2]}
    for way in ("level", "upright"):
        row[f"{way}_m_s"] = [getattr(side, f"{way}_m_s") for side in (held.before, held.after)]
    return row


def fly_all(into: Path, trials: int, seconds: float) -> list[Row]:
    """Those that are done, and as many more as the time allows."""
    into.mkdir(parents=True, exist_ok=True)
    file, begin = into / "trials.jsonl", time.monotonic()
    rows = [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []
    done = {row["trial"] for row in rows}
    for number in range(trials):
        if number in done or time.monotonic() - begin > seconds:
            continue
        row = trial(number, into / f"flights-{number}")
        rows.append(row)
        with file.open("a") as out:
            out.write(json.dumps(row) + "\n")
        print(_line(row), flush=True)
    return sorted(rows, key=lambda row: int(row["trial"]))


def _line(row: Row) -> str:
    parts = [f"trial {row['trial']:2} {row['airframe']:9}"]
    for name in ("thrust", "drag"):
        one = row[name]
        told = "not shown" if one["found"] is None else "{:.3f} ({:.3f} to {:.3f})".format(*one["found"])
        parts.append(f"{name} {one['true']:.3f}: {told}{'' if one['held'] else ' MISSED'}")
    return "; ".join(parts)


def _interval(one: Row) -> str:
    if one["found"] is None:
        return "not shown"
    value, low, high = (100 * part for part in one["found"])
    return f"{value:.1f} % ({low:.1f} to {high:.1f}){'' if one['held'] else ' **missed**'}"


def text(rows: list[Row]) -> str:
    """The table and its sums."""
    heads = [
        "trial", "airframe", "thrust, hidden", "thrust, found", "drag, hidden", "drag, found",
        "level error, before and after", "upright error, before and after",
    ]  # fmt: skip
    lines = [
        [
            str(row["trial"]), row["airframe"],
            f"{100 * row['thrust']['true']:.1f} %", _interval(row["thrust"]),
            f"{100 * row['drag']['true']:.1f} %", _interval(row["drag"]),
            *("{:.2f}, {:.2f} m/s".format(*row[f"{way}_m_s"]) for way in ("level", "upright")),
        ]
        for row in rows
    ]  # fmt: skip
    return "\n\n".join([*sums(rows), page.table(heads, lines)])


def sums(rows: list[Row]) -> list[str]:
    """What the trials come to, a sentence each."""
    told = []
    for name in ("thrust", "drag"):
        held = sum(row[name]["held"] for row in rows)
        wrong = [abs(row[name]["found"][0] - row[name]["true"]) for row in rows if row[name]["found"]]
        told.append(
            f"**{name}**: inside the stated 95 % interval in {held} of {len(rows)} trials; off by "
            f"{100 * float(np.median(wrong)):.1f} % of the design's in the median, {100 * max(wrong):.1f} % at most."
        )
    for way in ("level", "upright"):
        pairs = np.array([row[f"{way}_m_s"] for row in rows])
        better = int((pairs[:, 1] < pairs[:, 0]).sum())
        told.append(
            f"Held-out flights, {way} velocity after 2 s: off by {np.median(pairs[:, 0]):.2f} m/s before and "
            f"{np.median(pairs[:, 1]):.2f} m/s after in the median; better in {better} of {len(rows)}."
        )
    return told


def main() -> int:
    """Flies, and says whether the intervals hold what they promise."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--into", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=OF)
    parser.add_argument("--seconds", type=float, default=500.0, help="begin no trial after so long")
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    rows = fly_all(options.into, options.trials, options.seconds)
    print("\n".join(sums(rows)))
    if options.page:
        page.put("calibration.md", "calibration_trials", text(rows))
    held = min(sum(row[name]["held"] for row in rows) for name in ("thrust", "drag"))
    return 0 if held * OF >= ASKED * len(rows) else 1


if __name__ == "__main__":
    sys.exit(main())

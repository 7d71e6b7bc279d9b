"""Every demo over several radios: verdicts, and what changed in the measures against an ideal link.

    python -m tests.benchmarks.link_flights [--radios ideal sub-ghz-telemetry long-range-slow] [--flights 3] [--page]

Each demo's own scenario, extended by a radio alone, is flown by `asflown fly` in lockstep; a table tells the verdict
and the values of each measure over the flights, and a list why flights did not pass. With --page they go into
harness/docs/link.md, where the reasons are explained by hand.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.benchmarks.page import put, table

SCENARIOS = Path(__file__).parents[2] / "scenarios"
RADIOS = ["ideal", "sub-ghz-telemetry", "long-range-slow"]


def flown(demo: Path, radio: str, flights: int, folder: Path) -> dict[str, Any]:
    """The JSON report of a demo over a radio."""
    place = folder / radio / demo.name
    shutil.copytree(demo, place)
    (scenario,) = place.glob("*.scenario.yaml")
    over = place / f"over-{radio}.scenario.yaml"
    over.write_text(f"extends: {scenario.name}\nconditions:\n  radio: {radio}\n", encoding="utf-8")
    report = folder / f"{demo.name}-{radio}.json"
    command = [sys.executable, "-m", "asflown", "fly", str(over), "--json", str(report)]
    more = ["--keep", str(folder / "flights"), "--flights", str(flights), "--seed", "1"]
    subprocess.run([*command, *more], capture_output=True, text=True, check=False)
    found: dict[str, Any] = json.loads(report.read_text(encoding="utf-8"))
    return found


def measures(report: dict[str, Any]) -> str:
    """Values of each measure over the flights, the least to the greatest."""
    found: dict[str, list[float]] = {}
    for flight in report["flights"]:
        for measure in flight["measures"]:
            if measure["value"] is not None:
                found.setdefault(measure["name"], []).append(measure["value"])
    return ", ".join(f"`{name}` {span(values)}" for name, values in found.items())


def span(values: list[float]) -> str:
    """The least to the greatest, or the one."""
    least, greatest = f"{min(values):.2f}", f"{max(values):.2f}"
    return least if least == greatest else f"{least}…{greatest}"


def reasons(report: dict[str, Any]) -> str:
    """What is said of the first flight that did not pass."""
    for flight in report["flights"]:
        if flight["verdict"] == "pass":
            continue
        parts = flight["measures"] + flight["rules"] + flight["checks"]
        wrong = [f"{part.get('name', '')}: {part['says']}" for part in parts if not part["passed"]]
        return "; ".join(words.removeprefix(": ") for words in wrong or [flight["problem"]])
    return ""


def main() -> None:
    """The table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--radios", nargs="+", default=RADIOS)
    parser.add_argument("--flights", type=int, default=3)
    parser.add_argument(
        "--demos",
        nargs="+",
        default=sorted(path.name for path in SCENARIOS.iterdir() if path.name != "vehicles"),
    )
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    rows: list[list[str]] = []
    why: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        for demo in options.demos:
            for radio in options.radios:
                report = flown(SCENARIOS / demo, radio, options.flights, Path(folder))
                passed = sum(flight["verdict"] == "pass" for flight in report["flights"])
                rows.append([demo, radio, f"{passed} of {options.flights}", measures(report)])
                said = reasons(report)
                why += [f"- {demo} over {radio}: {said}"] if said else []
                print(rows[-1], said, flush=True)
    text = table(["demo", "radio", "passed", "measures, least…greatest, in SI units"], rows)
    text += "\n\nWhat the harness said of the first flight of each that did not pass:\n\n" + "\n".join(why)
    if options.page:
        put("link.md", "link_flights", text)


if __name__ == "__main__":
    main()

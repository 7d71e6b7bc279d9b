"""Writes what the demos' tolerances catch into the guide: `python -m tests.benchmarks.sensitivity_table`.

Flies each demo once, as `asflown sensitivity scenarios --json` does, and makes harness/docs/sensitivity.md of it.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from asflown.report import words

ROOT = Path(__file__).parents[2]
TARGET = ROOT / "harness" / "docs" / "sensitivity.md"

HEAD = """\
# How small a mistake the demos' tolerances catch

`asflown sensitivity scenarios --recorded-only` flies each scenario once (its first seed), disturbs what was recorded by
known amounts, and grades it again. Shown is the smallest size from which on the verdict is `fail`, found by halving
to 1 % between sizes on a grid that grows by 1.6; all of the grid is graded, so a larger size that passes again
would be told. Beside it: what catches it.

- **Right or left of every leg**: beside the leg being flown, so that every leg feels the whole of it. A constant vector
  would vanish on legs that point along it; **farther north or south** is such a vector, what a wrong map does.
- **Too high or too low**: from lift-off to touch-down. **Lifts off later**: all else is as it was, so only a rule with
  a window from arming on can see it. **Stands still**: half-way along the longest leg.
- **Faster or slower**: legs that lead to the side; holds, climbs and landing take as long as they did.

Made by `python -m tests.benchmarks.sensitivity_table`; another seed gives slightly other sizes.
"""

TAIL = """\
## Script, vehicle and link

Without `--recorded-only` the same command is a campaign: about thirty flights of each scenario with its first seed, on
`--workers` processes, kept in `.asflown/sensitivity` and gone on with when interrupted. Each flight disturbs one thing
by a known amount, on top of what the scenario has: a script that thinks 20 to 200 ms longer at each wake-up; a
craft that is heavier (up to 130 %), has weaker rotors (down to 70 %), more drag (up to 300 %), poorer sensors (up to
500 %); a link that is 100 to 800 ms later each way, loses 5 to 40 % of frames, or is gone for 1 to 16 s half-way.
For `nest-boxes` on palm80 two of these are caught: drag from twice the design's (`cross_track_p95`) and sensor errors
from five times (`cross_track_p95`, `vertical_p95` and others; three times passes). Everything else passes up to
the severest level, but for a link that is gone for 4 s or more, which leaves measures not measurable: inconclusive,
which is not caught.
"""


def measured() -> list[dict[str, Any]]:
    """The flights of the JSON document."""
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "s.json"
        command = [sys.executable, "-m", "asflown", "sensitivity", str(ROOT / "scenarios"), "--recorded-only"]
        subprocess.run([*command, "--into", folder, "--json", str(target)], check=True, cwd=folder)
        flights: list[dict[str, Any]] = json.loads(target.read_text(encoding="utf-8"))["flights"]
        return flights


def page(flights: list[dict[str, Any]]) -> str:
    """The whole page: a row for each disturbance, a column for each scenario."""
    names = [flight["scenario"] for flight in flights]
    lines = [HEAD, f"| the vehicle | {' | '.join(names)} |", f"|---|{'---|' * len(names)}"]
    for number, first in enumerate(flights[0]["disturbances"]):
        cells = [_cell(flight["disturbances"][number]) for flight in flights]
        lines.append(f"| {first['says']} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n" + TAIL


def _cell(one: dict[str, Any]) -> str:
    if one["size"] is None:
        up_to = words.quantity(one["looked_up_to"], one["unit"])
        return one["reason"] or f"never, up to {up_to}"
    again = f"; passes again with {one['passes_again'][0]:g}" if one["passes_again"] else ""
    return f"**{words.quantity(one['size'], one['unit'])}** {', '.join(one['caught_by'])}{again}"


if __name__ == "__main__":
    TARGET.write_text(page(measured()), encoding="utf-8")

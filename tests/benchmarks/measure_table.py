"""Writes the table of measures in the guide from their docstrings: `python -m tests.benchmarks.measure_table`."""

from __future__ import annotations

import inspect
from pathlib import Path

from asflown.grade.measures import TABLE
from asflown.scenario.measure_names import MEASURES

TARGET = Path(__file__).parents[2] / "harness" / "docs" / "measures.md"


def text() -> str:
    """The whole page."""
    lines = [
        "# Measures",
        "",
        "Each is limited by its name under `expect: measures:`; made from the docstrings of the code.",
        "",
        "| measure | unit | needs | definition, source, pitfalls |",
        "|---|---|---|---|",
    ]
    for name, row in TABLE.items():
        described = " ".join((inspect.getdoc(row.compute) or "").split())
        unit = MEASURES[name].unit
        needs = "–" if row.needs is None else f"{row.needs.hz:g} Hz, gaps ≤ {row.needs.gap_share:.0%}"
        cell = described.replace("|", "\\|").replace("*", "\\*")
        lines.append(f"| `{name}` | {'share' if unit == '1' else unit} | {needs} | {cell} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    TARGET.write_text(text(), encoding="utf-8")

"""The table of hostile-input.md, from what runs of tests/benchmarks/fuzz.py have written down with --state.

python -m tests.benchmarks.hostile_table STATE...
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from tests.benchmarks.page import put, table

CORPUS = Path(__file__).parents[1] / "corpus"
PAGE, PART = "hostile-input.md", "tests/benchmarks/hostile_table.py"


def row(name: str, entry: dict[str, Any]) -> list[str]:
    """One reader: how many documents, how they ended, what they took, and what is kept of earlier findings."""
    number, told = entry["documents"], entry["told"]
    if name == "frames":
        ended = f"{told['parsed']:,} by the parser, {told['indexed']:,} by the index"
    else:
        ended = f"{100 * told.get('read', 0) / number:.0f} %"
    each_ms = 1000 * entry["cpu_s"] / number
    kept = len(list((CORPUS / name).glob("*"))) if (CORPUS / name).is_dir() else 0
    figures = f"{entry['cpu_s']:,.0f} s", f"{each_ms:.2g} ms", f"{entry['longest_s']:.2g} s"
    return [name, f"{number:,}", ended, *figures, str(entry["findings"]), str(kept)]


def main(files: list[Path]) -> None:
    """Writes the table."""
    entries: dict[str, dict[str, Any]] = {}
    for file in files:
        entries |= json.loads(file.read_text(encoding="utf-8"))
    heads = [
        "through",
        "documents",
        "read",
        "CPU time",
        "each",
        "longest",
        "findings",
        "kept in tests/corpus",
    ]
    put(PAGE, PART, table(heads, [row(name, entries[name]) for name in sorted(entries)]))


if __name__ == "__main__":
    main([Path(name) for name in sys.argv[1:]])

"""Puts what an evidence script found into a page of harness/docs: between two comments that stay for the next time."""

from __future__ import annotations

import sys
from pathlib import Path

DOCS = Path(__file__).parents[2] / "harness" / "docs"


def put(page: str, part: str, text: str) -> None:
    """Replaces what stands in `page` between `<!-- made by PART -->` and `<!-- end -->`."""
    file = DOCS / page
    begin, end = f"<!-- made by {part} -->\n", "<!-- end -->"
    head, found, tail = file.read_text(encoding="utf-8").partition(begin)
    if not found:
        sys.exit(f"{file} has no line `{begin.strip()}`")
    file.write_text(
        head + begin + "\n" + text.strip() + "\n\n" + end + tail.partition(end)[2], encoding="utf-8"
    )


def table(heads: list[str], rows: list[list[str]]) -> str:
    """A table in Markdown; columns after the first are numbers or short."""
    lines = [heads, ["---", *["---:"] * (len(heads) - 1)], *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)

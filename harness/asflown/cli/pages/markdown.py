"""The little Markdown that pages of the reference are made of."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence


def made_by(name: str) -> str:
    """The comment that keeps people from mending a page by hand."""
    return f"<!-- Made from the code by `asflown docs --write DIR`, page {name}: change the code instead. -->"


def cell(text: str) -> str:
    """A text as a cell of a table: one line, and no bar that would end it."""
    return " ".join(text.split()).replace("|", "\\|")


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """The lines of a table."""
    lines = [heads, ["---"] * len(heads), *[[cell(text) for text in row] for row in rows]]
    return [f"| {' | '.join(line)} |" for line in lines]


def anchor(heading: str) -> str:
    """What a link to a heading is called, as servers of repositories make it."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")

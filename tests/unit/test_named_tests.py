"""Tests that documents name as the proof of something: they exist."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
NAMED = re.compile(r"`(tests/[\w/]+\.py)::(\w+)`")
PAGES = [
    page
    for page in (*(TOP / "harness" / "docs").rglob("*.md"), TOP / "DEVELOPERS.md")
    if NAMED.search(page.read_text())
]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_named_test_exists(page: Path) -> None:
    """A file of that name has a test of that name."""
    for file, name in sorted(set(NAMED.findall(page.read_text(encoding="utf-8")))):
        tree = ast.parse((TOP / file).read_text(encoding="utf-8"))
        assert name in {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}, (
            file,
            name,
        )


def test_the_safety_review_names_some() -> None:
    """Each row of its tables has a barrier that a test holds."""
    rows: list[str] = []
    in_review = False
    for line in (TOP / "harness/docs/safety-review.md").read_text(encoding="utf-8").splitlines():
        in_review = line.startswith("| hazard") or (in_review and line.startswith("|"))
        if in_review and not line.startswith(("| hazard", "| ---")):
            rows.append(line)
    assert len(rows) > 20
    assert [row for row in rows if not NAMED.search(row)] == []

"""The published page of what can be held."""

from __future__ import annotations

from pathlib import Path

from asflown.clock import surface

PAGE = Path(__file__).parents[3] / "harness" / "docs" / "held-surface.md"


def test_the_page_is_what_the_catalogue_says() -> None:
    """The page in the documentation is made from the catalogue; make it again after a change to that."""
    assert PAGE.read_text(encoding="utf-8") == surface.page()

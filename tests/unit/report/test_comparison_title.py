"""What a comparison's page is called: short, and never the same for both sides."""

from __future__ import annotations

from pathlib import Path

from asflown.change.sets import make_set
from asflown.report.site.comparison_page import page_name_of, title_of
from tests.unit.change.flown import flight

LONG = "20260101T000000Z-nest-boxes-palm80-r1-seed-1"


def test_single_flights_are_called_by_vehicle_and_seed(tmp_path: Path) -> None:
    """Not by their folders; the page's file keeps the folder's name, of which there is one."""
    a = make_set(str(tmp_path / LONG), [flight(tmp_path / LONG)])
    b = make_set("tuesday", [flight(tmp_path / "other", seed=2)])
    assert title_of(a, b) == "nest-boxes: palm80@r1 seed 1 and tuesday"
    assert LONG in page_name_of(a, b)


def test_equal_names_are_told_apart_by_when_they_were_flown(tmp_path: Path) -> None:
    """Two flights of one seed before and after an edit, as twins are."""
    sides = [make_set(name, [flight(tmp_path / name, started_utc=f"at {name}")]) for name in ("x", "y")]
    assert title_of(*sides) == "nest-boxes: palm80@r1 seed 1 of at x and palm80@r1 seed 1 of at y"

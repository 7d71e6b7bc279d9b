"""The guide of statistics says what the code does."""

from __future__ import annotations

import re

from asflown.grade.statistics import fewest_flights, flights_needed
from tests.unit.source import ROOT

GUIDE = (ROOT / "harness/docs/statistics.md").read_text()


def test_the_table_of_fewest_flights() -> None:
    """Each number in the guide's table is the fewest flights without a failure that show the share."""
    (heading,) = re.findall(r"\| to show, confidence \|(.*)\|", GUIDE)
    confidences = [float(cell) for cell in heading.split("|")]
    rows = re.findall(r"\| share (\S+) \|(.*)\|", GUIDE)
    assert len(rows) == 3
    for share, cells in rows:
        shown = [int(cell) for cell in cells.split("|")]
        assert shown == [fewest_flights(float(share), confidence) for confidence in confidences]


def test_the_flights_that_tolerance_limits_take() -> None:
    """22 and 59 flights on one side, 38 and 93 on both, as the guide says."""
    assert "22 flights\n  for 0.9/0.9 and 59 for 0.95/0.95 (38 and 93 on both sides)" in GUIDE
    assert [flights_needed(p, p) for p in (0.9, 0.95)] == [22, 59]
    assert [flights_needed(p, p, side="both") for p in (0.9, 0.95)] == [38, 93]

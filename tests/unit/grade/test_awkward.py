"""Awkward flights, one by one: when each leg began, and which were left out. The guide has pictures of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.grade.match import match
from tests.unit.grade.awkward import AWKWARD, Awkward


@pytest.mark.parametrize("case", AWKWARD, ids=[case.name for case in AWKWARD])
def test_legs_begin_when_they_were_begun(case: Awkward) -> None:
    """Each leg whose begin is known begins then, and legs follow each other in order."""
    begins = [leg.begin_s for leg in match(case.track, case.legs).legs[1:]]
    known = [(found, true) for found, true in zip(begins, case.begins_s, strict=True) if true is not None]
    assert [found for found, _ in known] == pytest.approx([true for _, true in known], abs=case.within_s)
    assert begins == sorted(begins)


@pytest.mark.parametrize("case", AWKWARD, ids=[case.name for case in AWKWARD])
def test_legs_left_out_are_those_a_person_would_name(case: Awkward) -> None:
    """The legs that were not flown, and no others."""
    assert [leg.leg.index for leg in match(case.track, case.legs).not_flown()] == list(case.missing)


def test_each_has_its_picture_in_the_guide() -> None:
    """The guide shows every flight of the table, in its order, with its sentence and a small picture."""
    docs = Path(__file__).parents[3] / "harness" / "docs"
    parts = (docs / "matching.md").read_text(encoding="utf-8").split("\n## ")[1:]
    assert parts == [
        f"{case.name}\n\n{case.seen}\n\n![{case.name}](gallery/{case.name}.png)\n" for case in AWKWARD
    ]
    assert all((docs / "gallery" / f"{case.name}.png").stat().st_size < 40_000 for case in AWKWARD)

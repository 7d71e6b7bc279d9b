"""Whole courses of the guard, against `guard_courses.txt`: what it says to hub, vehicle and log, word by word.

A line of that file is a time in seconds and what was said then; lines with `*` are events beside it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.unit.flight.guard_courses import COURSES, Course

EXPECTED = dict(
    part.split("\n", 1) for part in Path(__file__).with_name("guard_courses.txt").read_text().split("## ")[1:]
)


@pytest.mark.parametrize("course", COURSES, ids=lambda course: str(course.__name__))
def test_the_course_is_as_it_should_be(course: Course) -> None:
    """Everything that the guard says and notes, in its order and at its time."""
    bench, until_s = course()
    said = [f"{at_s:g} {words}" for at_s, words in bench.run(until_s)]
    assert (
        said + [told(*event) for event in bench.events] == EXPECTED[course.__name__].strip("\n").splitlines()
    )
    assert bench.guard.reacted == any(
        " asks " in line or "guard: no more" in line or "withheld" in line for line in said
    )


def test_every_course_is_expected() -> None:
    """And nothing else is."""
    assert [course.__name__ for course in COURSES] == list(EXPECTED)


def told(at_s: float, kind: str, facts: dict[str, Any]) -> str:
    """An event in words."""
    if kind == "mode-change":
        change = f"{facts['from']} > {facts['to']} {facts['number']} at {facts['at_us']}"
        return f"* {at_s:g} {change} by {facts['by']}: {facts['why']}"
    return f"* {at_s:g} {kind} {facts['cause']}: {facts['says']}"

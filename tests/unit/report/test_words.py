"""Numbers as people read them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.report import words
from asflown.scenario.model import Limit


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (0.4219, "m", "0.42 m"),
        (math.pi / 2, "rad", "90.0 deg"),
        (2.0, "m/s", "2.00 m/s"),
        (0.85, "1", "85.0 %"),
        (1.04, "", "1.04"),
        (1.5, "m/s2", "1.50 m/s2"),
        (None, "m", "not measurable"),
        (math.inf, "m", "inf m"),
    ],
)
def test_quantity_reads_in_the_unit_people_use(value: float | None, unit: str, expected: str) -> None:
    """Angles read in degrees, shares in per cent, everything with its unit."""
    assert words.quantity(value, unit) == expected


@pytest.mark.parametrize(
    ("limit", "unit", "expected"),
    [
        (Limit(at_most=0.8), "m", "at most 0.8 m"),
        (Limit(at_least=2.5), "s", "at least 2.5 s"),
        (Limit(between=(30, 90)), "s", "30 to 90 s"),
        (Limit(at_most=math.radians(25)), "rad", "at most 25 deg"),
        (Limit(between=(0.2, 0.8)), "1", "20 to 80 %"),
        (Limit(at_most=1.2), "", "at most 1.2"),
    ],
)
def test_limit_reads_as_its_author_wrote_it(limit: Limit, unit: str, expected: str) -> None:
    """A limit keeps its author's digits through the change to SI and back."""
    assert words.limit(limit, unit) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.6125, "+0.61"),
        (-1.75, "-1.75"),
        (0.0, "+0.00"),
        (-0.0004, "-0.0004"),
        (None, "?"),
        (math.inf, "+inf"),
    ],
)
def test_margin_has_a_sign(value: float | None, expected: str) -> None:
    """A margin shows its sign, and a small violation is not rounded away."""
    assert words.margin(value) == expected


@given(st.floats(min_value=-100, max_value=100, allow_nan=False))
def test_a_margin_never_changes_its_sign_when_written(value: float) -> None:
    """Read back, a written margin lies on the same side of the limit."""
    read_back = float(words.margin(value))
    assert (read_back >= 0) == (value >= 0)


@pytest.mark.parametrize(
    ("names", "expected"),
    [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")],
    ids=["none", "one", "two", "three"],
)
def test_listing_reads_as_a_sentence(names: list[str], expected: str) -> None:
    """Names are listed with commas and one 'and'."""
    assert words.listing(names) == expected


def test_count_uses_the_plural_for_all_but_one() -> None:
    """Nouns follow their number."""
    assert [words.count(n, "flight") for n in (0, 1, 2)] == ["0 flights", "1 flight", "2 flights"]

"""Margins: 0 at the limit, 1 when perfect, and the same whichever way a limit is written."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.errors import UsageError
from asflown.grade.margin import margin
from asflown.scenario.model import Limit

ROWS = {
    "perfect": (0.0, Limit(at_most=0.8), 1.0),
    "half": (0.4, Limit(at_most=0.8), 0.5),
    "at the limit": (0.8, Limit(at_most=0.8), 0.0),
    "twice the limit": (1.6, Limit(at_most=0.8), -1.0),
    "own scale": (3.0, Limit(at_most=2.0, scale=0.5), -2.0),
    "at least, at the limit": (2.5, Limit(at_least=2.5), 0.0),
    "at least, nothing": (0.0, Limit(at_least=2.5), -1.0),
    "at least, twice": (5.0, Limit(at_least=2.5), 1.0),
    "negative limit": (-3.0, Limit(at_most=-2.0), 0.5),
    "limit of 0": (1.0, Limit(at_most=0.0, scale=2.0), -0.5),
    "in the middle": (60.0, Limit(between=(30.0, 90.0)), 1.0),
    "at the upper end": (90.0, Limit(between=(30.0, 90.0)), 0.0),
    "below": (15.0, Limit(between=(30.0, 90.0)), -0.5),
    "between, own scale": (80.0, Limit(between=(30.0, 90.0), scale=5.0), 2.0),
}


@pytest.mark.parametrize(("value", "limit", "expected"), ROWS.values(), ids=ROWS.keys())
def test_margin(value: float, limit: Limit, expected: float) -> None:
    """The margin of a value against each kind of limit."""
    assert margin(value, limit) == pytest.approx(expected, abs=1e-12)


@given(value=st.floats(-1e6, 1e6), low=st.floats(-1e3, 1e3), width=st.floats(0.1, 1e3))
def test_sign_tells_whether_the_limit_is_kept(value: float, low: float, width: float) -> None:
    """A margin is negative exactly where the limit is violated."""
    high = low + width
    assert (margin(value, Limit(at_most=low, scale=1.0)) >= 0) == (value <= low)
    assert (margin(value, Limit(at_least=low, scale=1.0)) >= 0) == (value >= low)
    assert (margin(value, Limit(between=(low, high))) >= 0) == (low <= value <= high)


@pytest.mark.parametrize("limit", [Limit(), Limit(at_most=0.0), Limit(between=(3.0, 3.0))])
def test_limit_without_a_measure_of_its_own(limit: Limit) -> None:
    """No limit, or one of size 0 without a scale, has no margin: that is said, not divided."""
    with pytest.raises(UsageError):
        margin(1.0, limit)

"""Fixtures of the link's tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.unit.link.hand_clock import HandClock


@pytest.fixture
def clock() -> Iterator[HandClock]:
    """A clock moved by hand; whatever a test opened must be unwatched at its end."""
    hand_clock = HandClock()
    yield hand_clock
    left_over = list(hand_clock.watched)
    hand_clock.close()
    assert left_over == [], "descriptors are still watched"

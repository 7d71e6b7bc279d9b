"""The landing detector: what counts as standing on the ground, and for how long."""

from __future__ import annotations

import pytest

from asflown.sim.controller.touch_down import TouchDown


def decided_after(*, wanted: float, sinking: float, lift: float) -> int | None:
    """Ticks until it is sure, or None within a second."""
    detector = TouchDown()
    for tick in range(1, 101):
        if detector.step(wanted, sinking, lift):
            return tick
    return None


def test_standing_is_believed_after_three_tenths_of_a_second() -> None:
    """Wanting down, not sinking, hardly lifting: on the ground, but not at first sight."""
    assert decided_after(wanted=0.4, sinking=0.02, lift=0.4) == pytest.approx(30, abs=1)


@pytest.mark.parametrize(
    ("wanted", "sinking", "lift"),
    [(0.0, 0.0, 0.4), (0.4, 0.4, 0.4), (0.4, 0.0, 0.95), (0.4, -0.5, 0.2)],
    ids=["holding", "sinking", "carrying its weight", "bouncing"],
)
def test_flying_is_not_taken_for_standing(wanted: float, sinking: float, lift: float) -> None:
    """Each condition alone keeps it in the air."""
    assert decided_after(wanted=wanted, sinking=sinking, lift=lift) is None


def test_a_bounce_starts_the_wait_again() -> None:
    """Time on the ground counts only in one piece."""
    detector = TouchDown()
    story = [0.0] * 25 + [-0.5] + [0.0] * 25
    assert not any(detector.step(0.4, sinking, 0.4) for sinking in story)
    assert any(detector.step(0.4, 0.0, 0.4) for _ in range(10))

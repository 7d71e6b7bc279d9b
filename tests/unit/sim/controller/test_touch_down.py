"""The landing detector: what counts as standing on the ground, for how long, and how an updraft is found out."""

from __future__ import annotations

import pytest

from asflown.sim.controller.touch_down import TouchDown


def decided_after(*, wanted: float, sinking: float, lift: float) -> int | None:
    """Ticks until it is sure, or None within two seconds; `lift` is wanted, and given as the detector allows."""
    detector = TouchDown()
    for tick in range(1, 201):
        if detector.step(wanted, sinking, lift * detector.thrust_share):
            return tick
    return None


@pytest.mark.parametrize(("lift", "least", "most"), [(0.2, 24, 26), (0.6, 40, 60)])
def test_standing_is_believed_soon(lift: float, least: int, most: int) -> None:
    """Wanting down, not sinking, hardly lifting: on the ground after a quarter of a second, or a half at more lift."""
    ticks = decided_after(wanted=0.4, sinking=0.02, lift=lift)
    assert ticks is not None
    assert least <= ticks <= most


@pytest.mark.parametrize(
    ("wanted", "sinking", "lift"),
    [(0.0, 0.0, 0.3), (0.4, 0.4, 0.3), (0.4, 0.0, 0.95), (0.4, -0.5, 0.2)],
    ids=["holding", "sinking", "carrying its weight", "bouncing"],
)
def test_flying_is_not_taken_for_standing(wanted: float, sinking: float, lift: float) -> None:
    """Each condition alone keeps it in the air."""
    assert decided_after(wanted=wanted, sinking=sinking, lift=lift) is None


def test_a_bounce_starts_the_wait_again() -> None:
    """Time on the ground counts only in one piece."""
    detector = TouchDown()
    story = [0.0] * 20 + [-0.5] + [0.0] * 20
    assert not any(detector.step(0.4, sinking, 0.2) for sinking in story)
    assert any(detector.step(0.4, 0.0, 0.2) for _ in range(10))


def test_an_updraft_is_found_out_by_letting_go() -> None:
    """A craft held up by rising air at 0.6 of its weight falls when thrust is let go, and gets it back at once."""
    detector, sinking, shares = TouchDown(), 0.0, []
    for _ in range(300):
        share = detector.thrust_share
        shares.append(share)
        sinking += 9.81 * 0.6 * (1.0 - share) * 0.01 if share < 1.0 else -0.5 * sinking
        assert not detector.step(0.4, sinking, 0.6 * share)
    assert min(shares) > 0.5
    assert shares.count(1.0) > 10

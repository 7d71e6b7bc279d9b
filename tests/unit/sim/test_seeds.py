"""Random generators by purpose."""

from __future__ import annotations

from asflown.sim.seeds import generator


def test_equal_seed_and_purpose_draw_the_same() -> None:
    """A flight can be repeated."""
    assert (
        generator(7, "gnss").standard_normal(5).tolist() == generator(7, "gnss").standard_normal(5).tolist()
    )


def test_purposes_and_seeds_do_not_share_draws() -> None:
    """Another purpose or another seed draws other numbers."""
    draws = {
        tuple(generator(seed, purpose).standard_normal(3).tolist())
        for seed in (0, 1, 2)
        for purpose in ("gnss", "imu", "turbulence")
    }
    assert len(draws) == 9

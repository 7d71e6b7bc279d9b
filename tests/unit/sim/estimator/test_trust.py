"""Gates and stuck sensors: what is believed, and when one gives in."""

from __future__ import annotations

from asflown.sim.estimator.trust import Gate, Stuck


def test_a_gate_gives_in_after_its_patience() -> None:
    """Five standard deviations pass; beyond that it refuses three times and then believes, and says so."""
    gate = Gate(3)
    assert gate.passes(24.0, 1.0)
    assert [gate.passes(36.0, 1.0) for _ in range(4)] == [False, False, False, True]
    assert gate.tired
    assert gate.ratio == 1.2
    assert gate.passes(1.0, 1.0)
    assert not gate.tired


def test_one_good_measurement_renews_the_patience() -> None:
    """Refusals count only in a row."""
    gate = Gate(2)
    assert [gate.passes(size, 1.0) for size in (99, 99, 1, 99, 99)] == [False, False, True, False, False]


def test_a_value_that_never_changes_is_stuck_until_it_changes() -> None:
    """Told once when it begins and once when it ends."""
    stuck = Stuck(3)
    assert [stuck.changed(value) for value in (1, 2, 2, 2, 2, 2, 3)] == [False] * 4 + [True, False, True]
    assert not stuck.now

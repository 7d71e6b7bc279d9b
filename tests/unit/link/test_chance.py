"""Chance of an emulated radio that begins anew at a flight time."""

from __future__ import annotations

from asflown.link.burst_loss import Random
from asflown.link.chance import drawn_from
from asflown.scenario.model import Chance
from tests.unit.link.hand_clock import HandClock


def numbers(chance: Chance | None, purpose: str = "radio up") -> list[float]:
    """One number every second of ten, with the clock at whole seconds."""
    clock = HandClock()
    drawn: Random = drawn_from(purpose, 5, chance, clock)
    found = []
    for second in range(10):
        clock.move_to(second * 1_000_000)
        found.append(drawn.random())
    return found


def test_the_numbers_are_the_same_up_to_the_moment_and_others_after_it() -> None:
    """At the moment itself a frame still has the fate it had; the next has another."""
    own, anew = numbers(None), numbers(Chance(anew_at_s=4.0, seed=2))
    assert anew[:5] == own[:5]
    assert not set(anew[5:]) & set(own)


def test_lanes_and_seeds_have_numbers_of_their_own_after_it() -> None:
    """Up and down, and each second seed, go on differently."""
    at = [Chance(anew_at_s=4.0, seed=seed) for seed in (2, 3)]
    rests = [numbers(at[0])[5:], numbers(at[1])[5:], numbers(at[0], "radio down")[5:]]
    assert len({number for rest in rests for number in rest}) == 15

"""Chance anew from a moment on: the same flight up to it, bit by bit, and another one after it."""

from __future__ import annotations

from math import radians

import numpy as np
import pytest

from asflown.scenario.model import Chance, Conditions, PositionFeed, Start, Wind
from asflown.sim import core as core_module
from asflown.sim.core import Core
from asflown.sim.interface import STEPS_PER_TICK, CraftSetup, Target
from asflown.sim.plant import STATE
from asflown.sim.seeds import generator

CONDITIONS = Conditions(
    wind=Wind(speed_m_s=3.0, from_rad=radians(240.0), turbulence="light"), position_feed=PositionFeed()
)
TICK_BYTES = STATE.size * STEPS_PER_TICK


def flown(chance: Chance | None, ticks: int = 900) -> bytes:
    """The plant's states of a take-off and a hover, step by step."""
    conditions = CONDITIONS.model_copy(update={"chance": chance})
    craft = Core(CraftSetup("palm80", "r1", Start(), conditions, seed=7))
    states = []
    for tick in range(ticks):
        if tick == 450:
            assert craft.arm() == ""
            craft.target = Target(north_m=0.0, east_m=0.0, down_m=-2.0, yaw_rad=0.0)
        craft.tick()
        states.append(craft.drain_state())
    return b"".join(states)


def parted(one: bytes, other: bytes) -> int:
    """The first tick (from 1) after which the states differ."""
    pairs = range(0, len(one), TICK_BYTES)
    return next(
        at // TICK_BYTES + 1 for at in pairs if one[at : at + TICK_BYTES] != other[at : at + TICK_BYTES]
    )


@pytest.fixture(scope="module")
def original() -> bytes:
    """The flight of its own seed alone."""
    return flown(None)


@pytest.mark.parametrize("at_s", [5.0, 6.37, 8.0])
def test_it_is_the_same_flight_up_to_the_moment_and_another_after_it(original: bytes, at_s: float) -> None:
    """Not a bit differs up to the moment; the very next step's wind and sensors already do."""
    differs = parted(original, flown(Chance(anew_at_s=at_s, seed=3)))
    assert round(at_s * 100) < differs <= round(at_s * 100) + 3


def test_another_seed_is_another_rest() -> None:
    """Two second seeds part at the moment, and equal ones give equal bytes."""
    one, again, other = (flown(Chance(anew_at_s=6.0, seed=seed)) for seed in (1, 1, 2))
    assert one == again
    assert parted(one, other) > 600


def test_the_flights_own_seed_gives_other_numbers_when_chance_begins_anew(original: bytes) -> None:
    """What was drawn already is not drawn once more, even where both seeds are equal."""
    assert flown(Chance(anew_at_s=6.0, seed=7)) != original


def test_no_stream_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every purpose that draws as the flight goes on is renewed; the battery's gauge is drawn once for all."""
    asked: list[str] = []

    def noted(seed: int, purpose: str) -> np.random.Generator:
        asked.append(purpose)
        return generator(seed, purpose)

    monkeypatch.setattr(core_module, "generator", noted)
    flown(Chance(anew_at_s=0.0, seed=1), ticks=2)
    first = {purpose for purpose in asked if not purpose.endswith(" anew")}
    renewed = {purpose.removesuffix(" anew") for purpose in asked if purpose.endswith(" anew")}
    assert first - renewed == {"battery"}

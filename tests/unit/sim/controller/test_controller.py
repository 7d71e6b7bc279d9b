"""The controller between ground and air, on a made-up strapdown."""

from __future__ import annotations

from math import pi

import pytest

from asflown.sim.controller.controller import Controller, Phase, approach_rate_rad_s
from asflown.sim.controller.mixer import IDLE_COMMAND
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.interface import Estimate, Limits, Target
from asflown.sim.releases import RELEASES
from tests.unit.sim.controller.test_mixer import CRAFT

UP = Target(0.0, 0.0, -5.0)


def standing(roll_rad: float) -> Controller:
    """Armed, at rest, leaning."""
    strapdown, release = Strapdown(9.81), RELEASES["r1"]
    strapdown.align(roll_rad, 0.0, 0.0)
    controller = Controller(release, release.tunings["field1400"], CRAFT, strapdown, Estimate())
    controller.arm()
    return controller


def go_on(controller: Controller, seconds: float) -> None:
    """Lets time pass under a target that leads up."""
    for _ in range(round(seconds * 100)):
        controller.update(UP, Limits(), 16.8, 1.0)


@pytest.mark.parametrize("roll_rad", [1.3, pi, -2.0], ids=["on its side", "on its back", "leaning back"])
def test_a_craft_that_lies_tipped_over_lets_its_motors_idle(roll_rad: float) -> None:
    """Within two seconds it counts as on the ground, and no target lifts it off any more."""
    controller = standing(roll_rad)
    controller.phase = Phase.FLYING
    go_on(controller, 2.0)
    assert controller.on_ground
    assert controller.motors()() == (IDLE_COMMAND,) * 4


def test_an_upright_craft_lifts_off() -> None:
    """The same target leads an upright one up."""
    controller = standing(0.1)
    go_on(controller, 2.0)
    assert controller.phase is Phase.LIFTING


@pytest.mark.parametrize("left_rad", [0.05, 0.5, 3.0])
def test_a_turn_can_be_ended_in_time(left_rad: float) -> None:
    """At no angle left is the rate above what 2 rad/s2 take away in it."""
    assert 0.0 < approach_rate_rad_s(left_rad) <= (2.0 * 2.0 * left_rad) ** 0.5

"""Stopping: a craft told to hold comes to rest where it said it would, also while it still speeds up; and crashing."""

from __future__ import annotations

from math import hypot

import pytest

from asflown.sim.interface import Target
from tests.unit.sim.flying_core import here, hovering, run


@pytest.mark.parametrize("after_s", [0.5, 1.5, 2.5, 5.0])
@pytest.mark.parametrize("airframe", ["palm80", "field1400"])
def test_it_rests_where_it_said(airframe: str, after_s: float) -> None:
    """No farther than half a metre beyond the point, after any time of speeding up."""
    craft = hovering(airframe, height_m=4.0)
    run(craft, 4.0)
    north, east, down = here(craft)
    craft.target = Target(north + 100.0, east, down, yaw_rad=0.0)
    run(craft, after_s)
    rest = craft.rest_ned_m()
    craft.target = Target(*rest, yaw_rad=0.0)
    beyond: list[float] = []
    run(craft, 8.0, lambda: beyond.append(craft.estimate.north_m - rest[0]))
    assert max(beyond) < 0.5
    assert hypot(craft.estimate.north_m - rest[0], craft.estimate.east_m - rest[1]) < 0.5


@pytest.mark.parametrize("airframe", ["palm80", "field1400"])
@pytest.mark.slow
def test_a_craft_that_loses_a_motor_ends_on_the_ground(airframe: str) -> None:
    """It strikes the ground on its side, which ends its other rotors, and stays down; it says so once."""
    craft = hovering(airframe, height_m=4.0)
    run(craft, 3.0)
    craft.set_fault("motor-stop", active=True)
    run(craft, 8.0)
    assert -craft.truth_row()[3] < 0.15
    assert [text for _, text in craft.events.texts].count("Crashed") == 1
    assert craft.readings.battery_current_a < 1.0

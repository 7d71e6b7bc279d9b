"""What is made of the accelerometer: vibration, clipping, wind."""

from __future__ import annotations

from math import dist, radians

import pytest

from asflown.scenario.model import Wind
from asflown.sim.craft import OWN_DEFAULTS
from asflown.sim.motion_watch import MotionWatch
from asflown.sim.parameters import Parameters
from tests.unit.sim.flying_core import hovering, run
from tests.unit.sim.standin import StandIn


@pytest.mark.parametrize("airframe", ["palm80", "field1400"])
def test_the_wind_is_told_to_about_a_metre_a_second(airframe: str) -> None:
    """Hovering at 6 m in 3 m/s from the west: what is told blows to the east, and vibration is felt."""
    craft = hovering(airframe, 6.0, wind=Wind(speed_m_s=3.0, from_rad=radians(270)))
    watch = MotionWatch(craft, Parameters(craft.limits, OWN_DEFAULTS[airframe]))
    run(craft, 15.0, watch.tick)
    assert watch.wind_known
    assert dist((watch.wind_north_m_s, watch.wind_east_m_s), (0.0, 3.0)) < 1.3
    assert max(watch.vibration_m_s2()) > 0.1


def test_an_accelerometer_at_its_end_is_counted() -> None:
    """16 g and more."""
    core = StandIn()
    watch = MotionWatch(core, Parameters(core.limits, {}))
    for acceleration_m_s2 in (10.0, 156.9, -160.0):
        core.readings.acceleration_frd_m_s2 = (0.0, 0.0, acceleration_m_s2)
        watch.tick()
    assert watch.clippings == 2

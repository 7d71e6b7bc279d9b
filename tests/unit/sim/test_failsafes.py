"""The vehicle's own failsafes, in flight."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.sim.identity import ModeName
from tests.unit.sim.rig import POSITION_ONLY, Rig

HEARTBEAT = mav.MAVLink_heartbeat_message(mav.MAV_TYPE_GCS, mav.MAV_AUTOPILOT_INVALID, 0, 0, 4, 3)


def far_out(mode: ModeName = ModeName.SET_POINTS) -> Rig:
    """A craft 30 m from home."""
    rig = Rig()
    rig.fly_in(ModeName.SET_POINTS)
    rig.set_point(1, POSITION_ONLY, (30, 0, -10))
    rig.run(20)
    rig.select(mode)
    return rig


def last_state(rig: Rig) -> int:
    """MAV_STATE in the next heartbeat."""
    rig.run(1.0)
    return int(rig.of_type("HEARTBEAT")[-1].system_status)


def test_battery_at_the_reserve_brings_the_craft_home() -> None:
    """Safe recovery, state critical, once."""
    rig = far_out()
    rig.core.readings.battery_remaining = 0.149
    rig.run(0.02)
    assert rig.flies(ModeName.SAFE_RECOVERY)
    assert "battery reserve (15%): coming home" in rig.texts()
    assert last_state(rig) == mav.MAV_STATE_CRITICAL


def test_a_person_may_take_over_from_the_battery_reserve() -> None:
    """It is not said and done a second time."""
    rig = far_out()
    rig.core.readings.battery_remaining = 0.14
    rig.run(0.02)
    assert rig.select(ModeName.POSITION_HOLD) == mav.MAV_RESULT_ACCEPTED
    rig.run(5)
    assert rig.flies(ModeName.POSITION_HOLD)


def test_a_critical_battery_lands_where_it_is_and_nobody_may_stop_it() -> None:
    """State emergency; every other mode is refused."""
    rig = far_out()
    rig.core.readings.battery_remaining = 0.06
    rig.run(0.02)
    assert rig.flies(ModeName.LAND)
    assert last_state(rig) == mav.MAV_STATE_EMERGENCY
    assert rig.select(ModeName.POSITION_HOLD) == mav.MAV_RESULT_TEMPORARILY_REJECTED
    assert "position hold refused: landing in an emergency" in rig.texts()
    rig.run_until(lambda: not rig.armed())
    assert rig.place == pytest.approx((30, 0, 0), abs=0.2)


def test_a_ground_that_falls_silent_brings_the_craft_home_after_ten_seconds() -> None:
    """Counted from the last heartbeat heard in the air."""
    rig = far_out()
    rig.send(HEARTBEAT)
    rig.run(10.0)
    assert rig.flies(ModeName.SET_POINTS)
    rig.run(0.1)
    assert rig.flies(ModeName.SAFE_RECOVERY)
    assert "ground not heard: safe recovery" in rig.texts()


def test_a_ground_that_keeps_talking_is_not_lost() -> None:
    """One heartbeat in a second."""
    rig = far_out()
    for _ in range(30):
        rig.send(HEARTBEAT)
        rig.run(1.0)
    assert rig.flies(ModeName.SET_POINTS)


def test_a_ground_that_was_never_heard_in_the_air_cannot_be_lost() -> None:
    """A heartbeat before take-off does not count."""
    rig = Rig()
    rig.send(HEARTBEAT)
    rig.fly_in(ModeName.SET_POINTS)
    rig.run(30)
    assert rig.flies(ModeName.SET_POINTS)


def test_modes_that_do_without_the_ground_go_on() -> None:
    """A landing is not turned into a recovery."""
    rig = far_out()
    rig.send(HEARTBEAT)
    rig.run(0.02)
    rig.command(mav.MAV_CMD_NAV_LAND)
    rig.core.limits.landing_m_s = 0.1
    rig.run(15)
    assert rig.flies(ModeName.LAND)


@pytest.mark.parametrize(
    ("act", "mode"),
    [(0, ModeName.SET_POINTS), (1, ModeName.SAFE_RECOVERY), (2, ModeName.LAND)],
    ids=["carry on", "come home", "land"],
)
def test_what_happens_then_is_a_parameter(act: int, mode: ModeName) -> None:
    """link.loss.act."""
    rig = far_out()
    rig.send(mav.MAVLink_param_set_message(1, 1, b"link.loss.act", act, mav.MAV_PARAM_TYPE_INT32))
    rig.send(HEARTBEAT)
    rig.run(10.5)
    assert rig.flies(mode)


def test_a_lost_position_lands_after_four_seconds() -> None:
    """A short gap does nothing; modes that need it are refused meanwhile."""
    rig = far_out()
    rig.core.estimate.position_valid = False
    rig.run(3.9)
    rig.core.estimate.position_valid = True
    rig.run(0.1)
    rig.core.estimate.position_valid = False
    rig.run(3.9)
    assert rig.flies(ModeName.SET_POINTS)
    rig.run(0.2)
    assert rig.flies(ModeName.LAND)
    assert "position lost: landing" in rig.texts()
    assert last_state(rig) == mav.MAV_STATE_EMERGENCY


def test_on_the_ground_no_failsafe_acts() -> None:
    """An armed craft on the ground with a low battery stays where it is."""
    rig = Rig()
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.core.readings.battery_remaining = 0.05
    rig.run(3)
    assert rig.flies(ModeName.POSITION_HOLD)


def test_after_a_failsafe_the_intended_mode_stands_beside_the_actual_one() -> None:
    """CURRENT_MODE."""
    rig = far_out()
    rig.core.readings.battery_remaining = 0.14
    rig.run(0.02)
    current = rig.of_type("CURRENT_MODE")[-1]
    assert (current.standard_mode, current.custom_mode, current.intended_custom_mode) == (5, 4303, 4302)

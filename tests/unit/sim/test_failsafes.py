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


def test_without_a_fix_the_craft_holds_after_eight_seconds() -> None:
    """A shorter gap does nothing; `gnss.loss.act` says what is done."""
    rig = far_out()
    for seconds, mode in ((7.5, ModeName.SET_POINTS), (8.5, ModeName.POSITION_HOLD)):
        rig.core.readings.gnss_fix = 1
        rig.run(seconds)
        assert rig.flies(mode)
        rig.core.readings.gnss_fix = 3
        rig.run(0.1)
    assert "no GNSS fix: position hold" in rig.texts()


@pytest.mark.parametrize("ratio", ["position", "velocity", "height", "heading"])
def test_an_estimator_at_odds_with_its_sensors_lands(ratio: str) -> None:
    """A test ratio above 1 for five seconds."""
    rig = far_out()
    setattr(rig.core.estimate, f"{ratio}_test_ratio", 1.3)
    rig.run(4.9)
    assert rig.flies(ModeName.SET_POINTS)
    rig.run(0.2)
    assert rig.flies(ModeName.LAND)
    assert "estimator disagrees with its sensors: land" in rig.texts()


def test_a_craft_that_tumbles_lands_and_its_motors_run_on() -> None:
    """Emergency; nobody may change the mode, and nothing stops the motors."""
    rig = far_out()
    rig.core.estimate.roll_rad = 1.5
    rig.run(0.5)
    assert rig.flies(ModeName.LAND)
    assert rig.armed()
    assert last_state(rig) == mav.MAV_STATE_EMERGENCY
    assert rig.select(ModeName.POSITION_HOLD) == mav.MAV_RESULT_TEMPORARILY_REJECTED


def test_a_short_swing_is_no_tumble() -> None:
    """Less than 0.4 s."""
    rig = far_out()
    rig.core.estimate.pitch_rad = 1.5
    rig.run(0.3)
    rig.core.estimate.pitch_rad = 0.2
    rig.run(1.0)
    assert rig.flies(ModeName.SET_POINTS)


def test_the_ceiling_stops_a_climb() -> None:
    """`fence.ceiling`, an unsigned whole number; position hold below it."""
    rig = far_out()
    rig.send(mav.MAVLink_param_set_message(1, 1, b"fence.ceiling", 15, mav.MAV_PARAM_TYPE_UINT16))
    rig.set_point(1, POSITION_ONLY, (30, 0, -30))
    rig.run_until(lambda: rig.flies(ModeName.POSITION_HOLD))
    rig.run(5.0)
    assert "fence ceiling: position hold" in rig.texts()
    assert 12.0 < rig.place[2] < 15.0


def test_sticks_that_fall_silent_bring_the_craft_home() -> None:
    """Only when they were flying it: three seconds, then safe recovery."""
    rig = far_out(ModeName.POSITION_HOLD)
    for _ in range(5):
        rig.send(mav.MAVLink_manual_control_message(1, 300, 0, 500, 0, 0))
        rig.run(0.1)
    rig.run(2.5)
    assert rig.flies(ModeName.POSITION_HOLD)
    rig.run(0.6)
    assert rig.flies(ModeName.SAFE_RECOVERY)
    assert "sticks not heard: safe recovery" in rig.texts()


def test_sticks_that_were_never_used_cannot_be_lost() -> None:
    """Centred ones do not count."""
    rig = far_out(ModeName.POSITION_HOLD)
    rig.send(mav.MAVLink_manual_control_message(1, 0, 0, 500, 0, 0))
    rig.run(10.0)
    assert rig.flies(ModeName.POSITION_HOLD)


def test_sticks_cannot_push_through_the_fence() -> None:
    """Held this side of it until they were centred."""
    rig = far_out(ModeName.POSITION_HOLD)
    rig.send(mav.MAVLink_param_set_message(1, 1, b"fence.distance", 40, mav.MAV_PARAM_TYPE_UINT32))
    for _ in range(200):
        rig.send(mav.MAVLink_manual_control_message(1, 1000, 0, 500, 0, 0))
        rig.run(0.1)
    assert rig.place[0] < 40.0

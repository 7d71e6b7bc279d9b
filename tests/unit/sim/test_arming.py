"""Arming and disarming: checks that nothing skips, and motors that never stop in the air."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.sim.identity import ModeName
from tests.unit.sim.rig import Rig

ARM = mav.MAV_CMD_COMPONENT_ARM_DISARM
FORCE = 21_196
"""The number that the command's definition gives for forcing."""


def test_arming_makes_this_place_home_and_this_heading_the_one_to_keep() -> None:
    """The estimate's own of that moment."""
    rig = Rig()
    rig.core.estimate.north_m, rig.core.estimate.east_m, rig.core.estimate.yaw_rad = 1.5, -2.0, 0.7
    assert rig.command(ARM, 1) == mav.MAV_RESULT_ACCEPTED
    situation = rig.craft.autopilot.situation
    assert situation.home == (1.5, -2.0, 0.0)
    assert (situation.yaw_rad, situation.home_yaw_rad) == (0.7, 0.7)


def test_without_a_position_arming_waits() -> None:
    """Temporarily rejected: it will come."""
    rig = Rig()
    rig.core.estimate.position_valid = False
    assert rig.command(ARM, 1) == mav.MAV_RESULT_TEMPORARILY_REJECTED
    assert "arming refused: no valid position yet" in rig.texts()


def test_with_a_low_battery_arming_fails() -> None:
    """Waiting does not help."""
    rig = Rig()
    rig.core.readings.battery_remaining = 0.12
    assert rig.command(ARM, 1) == mav.MAV_RESULT_FAILED
    assert "arming refused: battery at 12%" in rig.texts()


def test_what_the_flight_core_says_against_arming_is_passed_on() -> None:
    """The core has checks of its own."""
    rig = Rig()
    rig.core.refuses_to_arm = "sensors are settling: wait"
    assert rig.command(ARM, 1) == mav.MAV_RESULT_FAILED
    assert "arming refused: sensors are settling: wait" in rig.texts()


@pytest.mark.parametrize("value", [2.0, -1.0, 0.5, float("nan")], ids=str)
def test_neither_arm_nor_disarm_is_denied(value: float) -> None:
    """Parameter 1 is 0 or 1."""
    assert Rig().command(ARM, value) == mav.MAV_RESULT_DENIED


def test_the_number_that_forces_skips_no_check() -> None:
    """Pre-arm checks hold for everybody."""
    rig = Rig()
    rig.core.estimate.position_valid = False
    assert rig.command(ARM, 1, FORCE) == mav.MAV_RESULT_TEMPORARILY_REJECTED
    assert not rig.armed()


@pytest.mark.parametrize("force", [0, FORCE], ids=["plain", "forced"])
def test_motors_do_not_stop_in_the_air(force: int) -> None:
    """Forced or not, disarming in flight is refused with words; on the ground it works."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    assert rig.command(ARM, 0, force) == mav.MAV_RESULT_TEMPORARILY_REJECTED
    assert rig.armed()
    assert "disarming refused: in the air" in rig.texts()


def test_disarming_on_the_ground() -> None:
    """At once."""
    rig = Rig()
    rig.command(ARM, 1)
    assert rig.command(ARM, 0) == mav.MAV_RESULT_ACCEPTED
    assert not rig.armed()


def test_an_armed_craft_that_nobody_flies_stops_its_motors() -> None:
    """After the 30 s of the parameter, on the ground alone."""
    rig = Rig()
    rig.command(ARM, 1)
    rig.run(29.5)
    assert rig.armed()
    rig.run(1.0)
    assert not rig.armed()
    assert "idle on the ground: motors stopped" in rig.texts()


def test_states_of_the_system() -> None:
    """MAV_STATE from power-up to landing: calibrating, standby, active, standby."""
    rig = Rig()
    rig.core.estimate.position_valid = False
    rig.run(1.1)
    rig.core.estimate.position_valid = True
    rig.run(1.0)
    rig.fly_in(ModeName.POSITION_HOLD, 3.0)
    rig.select(ModeName.LAND)
    rig.run_until(lambda: not rig.armed())
    rig.run(1.0)
    states = [heartbeat.system_status for heartbeat in rig.of_type("HEARTBEAT")]
    assert list(dict.fromkeys(states)) == [
        mav.MAV_STATE_CALIBRATING,
        mav.MAV_STATE_STANDBY,
        mav.MAV_STATE_ACTIVE,
    ]
    assert states[-1] == mav.MAV_STATE_STANDBY


def test_the_armed_flag_follows_the_motors() -> None:
    """Bit 128 of base_mode."""
    rig = Rig()
    rig.run(1.1)
    rig.command(ARM, 1)
    rig.run(1.1)
    flags = [bool(beat.base_mode & mav.MAV_MODE_FLAG_SAFETY_ARMED) for beat in rig.of_type("HEARTBEAT")]
    assert flags == [False, False, True]

"""Flight modes on a stand-in core: take-off, hold, land, safe recovery, and how they follow one another."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.sim.identity import ModeName
from tests.unit.sim.rig import POSITION_ONLY, Rig

ACCEPTED, NOT_NOW, FAILED = 0, 1, 4


def flying(mode: ModeName = ModeName.POSITION_HOLD, height_m: float = 10.0) -> Rig:
    """A craft in the air."""
    rig = Rig()
    rig.fly_in(mode, height_m)
    return rig


def away(north_m: float, east_m: float, height_m: float) -> Rig:
    """A craft that has flown away from home, in position hold."""
    rig = flying(ModeName.SET_POINTS, height_m)
    rig.set_point(1, POSITION_ONLY, (north_m, east_m, -height_m))
    rig.run(30)
    rig.select(ModeName.POSITION_HOLD)
    return rig


def test_take_off_climbs_straight_up_and_holds_at_its_height() -> None:
    """Position hold follows by itself, and is what was intended."""
    rig = flying(height_m=7.0)
    rig.run(5)
    assert rig.place == pytest.approx((0, 0, 7), abs=0.05)
    assert rig.craft.autopilot.intended is ModeName.POSITION_HOLD


def test_take_off_without_a_height_takes_the_parameter() -> None:
    """Standard mode take-off, armed on the ground."""
    rig = Rig()
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    assert rig.command(development.MAV_CMD_DO_SET_STANDARD_MODE, 8) == ACCEPTED
    rig.run(10)
    assert rig.place[2] == pytest.approx(2.0, abs=0.05)


def test_take_off_in_set_points_mode_stays_in_that_mode() -> None:
    """So that a script's set-points are obeyed without another change of mode."""
    rig = Rig()
    rig.select(ModeName.SET_POINTS)
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 6.0)
    rig.run(10)
    assert rig.flies(ModeName.SET_POINTS)
    assert rig.place[2] == pytest.approx(6.0, abs=0.05)


def test_position_hold_stops_where_the_craft_can_come_to_rest() -> None:
    """Entered at 2 m/s, it holds the braking distance ahead and does not turn back."""
    rig = flying(ModeName.SET_POINTS)
    rig.run(3, lambda: rig.set_point(1, 0xDC7, velocity=(2, 0, 0)))
    at_m = rig.place[0]
    rig.select(ModeName.POSITION_HOLD)
    rig.run(10)
    assert rig.place[0] == pytest.approx(
        at_m + 2.0**2 / (2 * 0.6 * rig.core.limits.acceleration_m_s2), abs=0.1
    )


def test_an_armed_craft_in_position_hold_stays_on_the_ground() -> None:
    """Arming alone lifts nothing."""
    rig = Rig()
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.run(5)
    assert rig.grounded()
    assert rig.core.target.land


def test_landing_stops_the_motors_a_second_after_touch_down() -> None:
    """And position hold is the mode again, so that the craft can be armed anew."""
    rig = away(5, 5, 4)
    assert rig.command(mav.MAV_CMD_NAV_LAND) == ACCEPTED
    rig.run_until(rig.grounded)
    rig.run(0.9)
    assert rig.armed()
    rig.run(0.2)
    assert not rig.armed()
    assert rig.place == pytest.approx((5, 5, 0), abs=0.1)
    assert rig.texts()[-2:] == ["landed: motors stopped", "mode: position hold"]


def test_safe_recovery_climbs_to_its_height_then_comes_home_and_lands() -> None:
    """From 2 m, 40 m away: first to the 4 m of the parameter, straight up; then home; then down."""
    rig = away(40, 0, 2)
    assert rig.command(mav.MAV_CMD_NAV_RETURN_TO_LAUNCH) == ACCEPTED
    rig.run_until(lambda: rig.place[2] > 3.5)
    assert rig.place[0] == pytest.approx(40, abs=0.2)
    rig.run_until(lambda: rig.place[0] < 20)
    assert rig.place[2] == pytest.approx(4, abs=0.2)
    rig.run_until(lambda: not rig.armed())
    assert rig.place == pytest.approx((0, 0, 0), abs=0.3)


def test_safe_recovery_keeps_a_height_above_its_own() -> None:
    """It never goes down before it is home."""
    rig = away(40, 0, 12)
    rig.command(mav.MAV_CMD_NAV_RETURN_TO_LAUNCH)
    rig.run_until(lambda: rig.place[0] < 20)
    assert rig.place[2] == pytest.approx(12, abs=0.2)


def test_safe_recovery_near_home_goes_down_at_once() -> None:
    """Without the climb."""
    rig = away(1, 0, 2)
    rig.command(mav.MAV_CMD_NAV_RETURN_TO_LAUNCH)
    rig.run(1)
    assert rig.place[2] < 2.0


@pytest.mark.parametrize(
    ("mode", "words"),
    [
        (ModeName.LAND, "land refused: not flying"),
        (ModeName.SAFE_RECOVERY, "safe recovery refused: not flying"),
        (ModeName.TAKE_OFF, "take off refused: arm first"),
        (ModeName.MISSION, "mission refused: no mission"),
    ],
    ids=str,
)
def test_modes_of_flight_are_refused_with_motors_off(mode: ModeName, words: str) -> None:
    """Valid, but not now; the reason goes out as text."""
    rig = Rig()
    assert rig.select(mode) == NOT_NOW
    assert words in rig.texts()


def test_modes_that_need_a_position_are_refused_without_one() -> None:
    """All but land."""
    rig = flying()
    rig.core.estimate.position_valid = False
    assert rig.select(ModeName.SET_POINTS) == NOT_NOW
    assert "set points refused: no valid position" in rig.texts()
    assert rig.select(ModeName.LAND) == ACCEPTED


def test_a_standard_mode_that_is_not_flown_here_fails() -> None:
    """Cruise, altitude hold, non-standard."""
    rig = flying()
    for standard in (0, 3, 4, 77):
        assert rig.command(development.MAV_CMD_DO_SET_STANDARD_MODE, standard) == FAILED
    assert rig.flies(ModeName.POSITION_HOLD)


def test_the_old_mode_message_works_and_tells_refusals_in_words() -> None:
    """SET_MODE has no acknowledgement."""
    rig = flying()
    number = rig.craft.autopilot.numbering.number(ModeName.SET_POINTS)
    rig.ask(mav.MAVLink_set_mode_message(1, mav.MAV_MODE_FLAG_CUSTOM_MODE_ENABLED, number))
    assert rig.flies(ModeName.SET_POINTS)
    rig.ask(mav.MAVLink_set_mode_message(1, mav.MAV_MODE_FLAG_CUSTOM_MODE_ENABLED, 4))
    assert "mode refused: there is no mode 4" in rig.texts()


def test_each_change_of_mode_is_said_at_once() -> None:
    """CURRENT_MODE and a text, in the tick of the change."""
    rig = flying()
    before = len(rig.of_type("CURRENT_MODE"))
    rig.select(ModeName.LAND)
    changes = rig.of_type("CURRENT_MODE")[before:]
    assert [(mode.standard_mode, mode.custom_mode) for mode in changes][:1] == [(7, 4305)]
    assert "mode: land" in rig.texts()

"""The set-points mode: what is obeyed, when it is dropped, and the stream that an identity may demand."""

from __future__ import annotations

import math

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import Identity, StreamIdentity
from asflown.sim.identity import ModeName
from tests.unit.sim.rig import POSITION_ONLY, VELOCITY_ONLY, Rig

NED = mav.MAV_FRAME_LOCAL_NED
BODY = mav.MAV_FRAME_BODY_FRD
ACCELERATION_ONLY = 0xC3F
YAW_ONLY = 0x9FF
YAW_RATE_ONLY = 0x5FF
STREAMED = Identity(set_point_stream=StreamIdentity(before_entry_s=1.0, time_out_s=0.5))


def flying() -> Rig:
    """A craft 10 m up, in set-points mode."""
    rig = Rig()
    rig.fly_in(ModeName.SET_POINTS)
    return rig


def test_a_position_is_flown_to_and_kept() -> None:
    """One message is enough, and half a minute later the craft is still there."""
    rig = flying()
    rig.set_point(NED, POSITION_ONLY, (5, -3, -8))
    rig.run(30)
    assert rig.place == pytest.approx((5, -3, 8), abs=0.05)
    assert rig.flies(ModeName.SET_POINTS)


def test_a_velocity_is_dropped_after_a_second_of_silence() -> None:
    """The craft stops, holds, stays in the mode, and says so."""
    rig = flying()
    rig.set_point(NED, VELOCITY_ONLY, velocity=(2, 0, 0))
    rig.run(0.9)
    assert rig.core.estimate.velocity_north_m_s == pytest.approx(2)
    rig.run(5)
    assert rig.core.estimate.velocity_north_m_s == pytest.approx(0, abs=0.01)
    assert rig.place[0] == pytest.approx(2.0 + 2.0**2 / (2 * 0.6 * 2.5), abs=0.3)
    assert rig.flies(ModeName.SET_POINTS)
    assert "set-point too old: holding" in rig.texts()


def test_a_stream_of_velocities_goes_on() -> None:
    """Four a second for five seconds at 1 m/s: 5 m."""
    rig = flying()
    rig.run(5, lambda: rig.set_point(NED, VELOCITY_ONLY, velocity=(0, 1, 0)))
    assert rig.place[1] == pytest.approx(5.0, abs=0.1)


def test_a_stream_of_offsets_moves_its_target_each_time() -> None:
    """1 m forward, asked for with every message, never arrives: that is what an offset means."""
    rig = flying()
    rig.run(4, lambda: rig.set_point(BODY, POSITION_ONLY, (1, 0, 0)))
    assert rig.place[0] > 4.0


def test_one_offset_is_resolved_once() -> None:
    """2 m to the right of a craft that looks north is 2 m east."""
    rig = flying()
    rig.set_point(BODY, POSITION_ONLY, (0, 2, -1))
    rig.run(8)
    assert rig.place == pytest.approx((0, 2, 11), abs=0.05)


def test_an_acceleration_alone_becomes_a_growing_velocity_up_to_the_limit() -> None:
    """0.5 m/s² for half a second is 0.25 m/s; a stream ends at the largest speed."""
    rig = flying()
    rig.set_point(NED, ACCELERATION_ONLY, acceleration=(0.5, 0, 0))
    rig.run(0.51)
    assert rig.core.target.velocity_north_m_s == pytest.approx(0.25, abs=0.01)
    for _ in range(20):
        rig.set_point(NED, ACCELERATION_ONLY, acceleration=(5, 0, 0))
        rig.run(0.5)
    assert rig.core.target.velocity_north_m_s == pytest.approx(rig.core.limits.speed_m_s)


def test_a_yaw_alone_turns_on_the_spot() -> None:
    """What a set-point does not speak of stays as it is."""
    rig = flying()
    rig.set_point(NED, YAW_ONLY, yaw=math.pi / 2)
    rig.run(5)
    assert rig.core.estimate.yaw_rad == pytest.approx(math.pi / 2, abs=0.01)
    assert rig.place == pytest.approx((0, 0, 10), abs=0.05)


def test_a_yaw_rate_spins_until_it_is_too_old() -> None:
    """0.5 rad/s for the second that it is good for."""
    rig = flying()
    rig.set_point(NED, YAW_RATE_ONLY, yaw_rate=0.5)
    rig.run(5)
    assert rig.core.estimate.yaw_rad == pytest.approx(0.5, abs=0.05)


def test_horizontal_velocity_at_a_kept_height() -> None:
    """A mask that uses vx, vy and z alone, as scripts send it to cruise at a height."""
    rig = flying()
    cruise = 0xFFF & ~0x200 & ~0x004 & ~0x018
    rig.run(4, lambda: rig.set_point(NED, cruise, (0, 0, -12), (1, 0, 0)))
    assert rig.place == pytest.approx((4, 0, 12), abs=0.3)


def test_set_points_in_another_mode_are_not_obeyed() -> None:
    """The craft stays, and says why once."""
    rig = Rig()
    rig.fly_in(ModeName.POSITION_HOLD)
    rig.run(2, lambda: rig.set_point(NED, POSITION_ONLY, (9, 9, -9)))
    assert rig.place == pytest.approx((0, 0, 10), abs=0.1)
    assert rig.texts().count("set-point ignored: mode is position hold") == 1


def test_a_wrong_mask_is_told_and_changes_nothing() -> None:
    """The craft keeps to the last good set-point."""
    rig = flying()
    rig.set_point(NED, POSITION_ONLY, (3, 0, -10))
    rig.run(0.1)
    rig.set_point(NED, 0xFFF & ~0x200, (9, 9, -9))
    rig.run(8)
    assert rig.place == pytest.approx((3, 0, 10), abs=0.05)
    assert "set-point: type mask ignores everything" in rig.texts()


def test_old_set_points_do_not_move_a_craft_that_is_armed_later() -> None:
    """What was sent before arming is not obeyed after it."""
    rig = Rig()
    rig.select(ModeName.SET_POINTS)
    rig.set_point(NED, POSITION_ONLY, (0, 0, -5))
    rig.run(0.1)
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.run(3)
    assert rig.place == pytest.approx((0, 0, 0))
    assert rig.grounded()


def test_a_set_point_above_takes_off_and_one_beside_does_not() -> None:
    """On the ground, only what leads up is obeyed."""
    rig = Rig()
    rig.select(ModeName.SET_POINTS)
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.set_point(NED, POSITION_ONLY, (5, 0, 0))
    rig.run(3)
    assert rig.place == pytest.approx((0, 0, 0))
    rig.set_point(NED, POSITION_ONLY, (0, 0, -4))
    rig.run(8)
    assert rig.place == pytest.approx((0, 0, 4), abs=0.05)


def test_a_demanded_stream_must_run_before_the_mode_is_entered() -> None:
    """Refused without one and after half a second of it, accepted after a second."""
    rig = Rig(STREAMED)

    def stream() -> None:
        if rig.now_us % 100_000 == 0:
            rig.set_point(NED, POSITION_ONLY, (0, 0, -4))

    assert rig.select(ModeName.SET_POINTS) == mav.MAV_RESULT_TEMPORARILY_REJECTED
    assert "set points refused: needs set-points for 1 s first" in rig.texts()
    rig.run(0.5, stream)
    assert rig.select(ModeName.SET_POINTS) == mav.MAV_RESULT_TEMPORARILY_REJECTED
    rig.run(0.6, stream)
    assert rig.select(ModeName.SET_POINTS) == mav.MAV_RESULT_ACCEPTED


def test_the_end_of_a_demanded_stream_ends_the_mode() -> None:
    """Even a position falls back to position hold; the intended mode stays what was asked for."""
    rig = Rig(STREAMED)
    rig.run(1.2, lambda: rig.set_point(NED, POSITION_ONLY, (0, 0, -4)))
    rig.select(ModeName.SET_POINTS)
    rig.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    rig.run(5, lambda: rig.set_point(NED, POSITION_ONLY, (0, 0, -4)))
    assert rig.flies(ModeName.SET_POINTS)
    rig.run(0.45)
    assert rig.flies(ModeName.SET_POINTS)
    rig.run(0.1)
    assert rig.flies(ModeName.POSITION_HOLD)
    assert "set-points stopped" in rig.texts()
    current = rig.of_type("CURRENT_MODE")[-1]
    numbering = rig.craft.autopilot.numbering
    assert current.custom_mode == numbering.number(ModeName.POSITION_HOLD)
    assert current.intended_custom_mode == numbering.number(ModeName.SET_POINTS)


def test_what_is_followed_is_reported() -> None:
    """POSITION_TARGET_LOCAL_NED, twice a second and only in this mode, with a mask of what is controlled."""
    rig = flying()
    assert not rig.of_type("POSITION_TARGET_LOCAL_NED")
    rig.set_point(NED, POSITION_ONLY, (5, -3, -8))
    rig.run(2.0)
    reports = rig.of_type("POSITION_TARGET_LOCAL_NED")
    assert len(reports) == 4
    assert (reports[-1].x, reports[-1].y, reports[-1].z) == (5, -3, -8)
    assert reports[-1].type_mask & 0x3F == 0x38

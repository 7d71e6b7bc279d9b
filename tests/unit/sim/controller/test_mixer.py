"""The mixer: exact where it can be, and giving up yaw first where it cannot."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.sim.controller.craft import Craft
from asflown.sim.controller.mixer import IDLE_COMMAND, Mixer

CRAFT = Craft(
    mass_kg=1.0,
    inertia_x_kg_m2=0.01,
    inertia_y_kg_m2=0.01,
    inertia_z_kg_m2=0.02,
    arm_x_m=0.2,
    arm_y_m=0.1,
    yaw_arm_m=0.02,
    full_thrust_n=5.0,
    full_speed_voltage_v=16.8,
)
moments = st.floats(-3.0, 3.0)


def delivered(mixer: Mixer, commands: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """Thrust and moments that four commands give."""
    t1, t2, t3, t4 = (mixer.full_n * command**2 for command in commands)
    return (
        t1 + t2 + t3 + t4,
        CRAFT.arm_y_m * (t3 + t4 - t1 - t2),
        CRAFT.arm_x_m * (t1 + t4 - t2 - t3),
        CRAFT.yaw_arm_m * (t1 + t3 - t2 - t4),
    )


@given(st.floats(-10.0, 40.0), moments, moments, moments)
def test_commands_stay_in_range(thrust: float, roll: float, pitch: float, yaw: float) -> None:
    """Whatever is asked for, no motor is told to stop or to do more than it can."""
    commands = Mixer(CRAFT).mix(thrust, roll, pitch, yaw)
    assert all(IDLE_COMMAND - 1e-9 <= command <= 1.0 + 1e-9 for command in commands)


@given(st.floats(8.0, 12.0), st.floats(-0.2, 0.2), st.floats(-0.4, 0.4), st.floats(-0.02, 0.02))
def test_what_is_possible_is_exact(thrust: float, roll: float, pitch: float, yaw: float) -> None:
    """Within the rotors' range thrust and all moments come out as asked."""
    mixer = Mixer(CRAFT)
    given_out = delivered(mixer, mixer.mix(thrust, roll, pitch, yaw))
    assert given_out == pytest.approx((thrust, roll, pitch, yaw), abs=1e-9)
    assert not mixer.saturated


@given(st.floats(4.0, 16.0), st.floats(-0.6, 0.6), st.floats(-1.2, 1.2), st.floats(-1.0, 1.0))
@pytest.mark.slow
def test_yaw_goes_before_roll_and_pitch(thrust: float, roll: float, pitch: float, yaw: float) -> None:
    """As long as roll and pitch alone are possible they are exact; yaw has the right sign and at most its size."""
    mixer = Mixer(CRAFT)
    span = abs(roll) / (4.0 * CRAFT.arm_y_m) + abs(pitch) / (4.0 * CRAFT.arm_x_m)
    _, got_roll, got_pitch, got_yaw = delivered(mixer, mixer.mix(thrust, roll, pitch, yaw))
    if 2.0 * span <= mixer.full_n - mixer.floor_n:
        assert (got_roll, got_pitch) == pytest.approx((roll, pitch), abs=1e-9)
    assert got_yaw * yaw >= -1e-12
    assert abs(got_yaw) <= abs(yaw) + 1e-9


def test_a_low_battery_is_made_up_for() -> None:
    """At five sixths of the voltage commands rise by six fifths, so that the thrust is the same."""
    fresh, weak = Mixer(CRAFT), Mixer(CRAFT)
    weak.supply(14.0, 1.0)
    assert weak.mix(8.0, 0.0, 0.0, 0.0)[0] == pytest.approx(1.2 * fresh.mix(8.0, 0.0, 0.0, 0.0)[0])

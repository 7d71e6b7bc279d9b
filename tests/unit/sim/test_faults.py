"""Faults: switched on and off in time, and felt by the vehicle as they are outdoors."""

from __future__ import annotations

from typing import get_args

import pytest

from asflown.scenario.model import Fault
from asflown.sim.core import Core
from asflown.sim.faults import FAULTS, MOTOR_WEAK_LOSS
from tests.unit.sim.flying_core import hovering, run

AT_S = 12.0


def flown(
    kind: str, seconds: float, for_s: float | None = None, airframe: str = "palm80", severity: str = "100 %"
) -> Core:
    """A craft that has hovered for some seconds since a fault began."""
    fault = Fault.model_validate({"at": AT_S, "inject": kind, "for": for_s, "severity": severity})
    craft = hovering(airframe, faults=(fault,))
    run(craft, AT_S + seconds - craft.truth_row()[0])
    return craft


def texts(craft: Core) -> list[str]:
    """What the core had to say."""
    return [text for _, text in craft.events.texts]


def test_every_kind_of_fault_is_known() -> None:
    """What a scenario may ask for is carried out here, but for the radio's."""
    kinds = set(get_args(Fault.model_fields["inject"].annotation))
    assert kinds - FAULTS.keys() == {"link-loss"}


def test_gnss_loss_is_noticed_bridged_and_ended() -> None:
    """Without fixes the craft stays put for some seconds by dead reckoning; then fixes come back."""
    craft = flown("gnss-loss", 3.0, for_s=4.0)
    assert craft.readings.gnss_fix == 1
    assert craft.estimate.position_valid
    assert abs(craft.truth_row()[1]) < 3.0
    run(craft, 3.0)
    assert craft.readings.gnss_fix == 3
    assert texts(craft)[-2:] == ["GNSS fix lost", "GNSS fix"]


def test_lasting_gnss_loss_invalidates_the_position_while_the_height_holds() -> None:
    """After half a minute the vehicle admits that it does not know where it is; it stays level at its height."""
    craft = flown("gnss-loss", 30.0)
    assert not craft.estimate.position_valid
    assert "Position lost" in texts(craft)
    truth = craft.truth_row()
    assert -4.0 < truth[3] < -2.0
    assert max(abs(truth[7]), abs(truth[8])) < 0.15


def test_a_weak_motor_is_carried() -> None:
    """The weak motor is commanded harder, and the craft stays where it is."""
    craft = flown("motor-weak", 6.0)
    commands = craft._commands
    assert craft._plant.read("rotor/health-1") == 1.0 - MOTOR_WEAK_LOSS
    assert commands[0] > sum(commands[1:]) / 3.0 + 0.04
    assert abs(craft.estimate.down_m + 3.0) < 0.4


def test_battery_sag_lowers_the_voltage_only() -> None:
    """Under the same load a bad pack shows less voltage; the craft still hovers."""
    healthy, sagging = flown("gnss-loss", 3.0), flown("battery-sag", 3.0)
    assert sagging.readings.battery_voltage_v < healthy.readings.battery_voltage_v - 0.15
    assert abs(sagging.truth_row()[3] - healthy.truth_row()[3]) < 0.3


def test_a_compass_offset_turns_the_craft_slowly() -> None:
    """The believed heading stays, the true one goes off by about the offset of 25 degrees."""
    craft = flown("compass-offset", 25.0)
    assert abs(craft.estimate.yaw_rad) < 0.1
    assert abs(craft.truth_row()[9]) == pytest.approx(0.43, abs=0.12)


def test_a_drifting_barometer_takes_the_craft_along() -> None:
    """The believed height stays, the true one moves by 0.1 m/s while the fault lasts, and comes back."""
    craft = flown("barometer-drift", 10.0, for_s=10.0)
    believed, true = craft.estimate.down_m, craft.truth_row()[3]
    assert abs(believed - true) == pytest.approx(1.0, abs=0.4)
    run(craft, 11.0)
    assert abs(craft.estimate.down_m - craft.truth_row()[3]) < 0.4


def test_severity_scales_a_fault() -> None:
    """A fifth of a compass offset is five degrees, twice a sag is twice the sag."""
    craft = flown("compass-offset", 25.0, severity="20 %")
    assert abs(craft.truth_row()[9]) == pytest.approx(0.087, abs=0.05)
    assert craft.set_fault("battery-sag", active=True, severity=2.0)
    assert craft._plant.read("battery/resistance-ohm") == pytest.approx(5.0 * 0.030)
    assert not craft.set_fault("link-loss", active=True)


def test_a_jump_of_gnss_is_refused_then_followed() -> None:
    """Fixes 15 m off: nothing for two seconds, then the craft goes where they send it, and says so."""
    craft = flown("gnss-jump", 1.5)
    assert max(abs(craft.truth_row()[1]), abs(craft.truth_row()[2])) < 2.0
    assert craft.estimate.position_test_ratio > 1.0
    run(craft, 15.0)
    assert "Position reset to GNSS" in texts(craft)
    assert craft.truth_row()[1] == pytest.approx(-10.6, abs=2.5)


def test_a_stuck_receiver_is_found_out() -> None:
    """Fixes that never change are no fixes: the craft does not chase them."""
    craft = flown("gnss-stuck", 4.0)
    assert "GNSS stuck: not used" in texts(craft)
    assert max(abs(craft.truth_row()[1]), abs(craft.truth_row()[2])) < 3.0


def test_a_stuck_barometer_hands_height_to_gnss() -> None:
    """The craft goes on at its height, a little less exactly, and says what it uses."""
    craft = flown("barometer-stuck", 20.0)
    assert "Barometer stuck: height by GNSS" in texts(craft)
    assert craft.truth_row()[3] == pytest.approx(-3.0, abs=2.5)


def test_a_stuck_compass_leaves_the_heading_to_the_gyros() -> None:
    """The heading holds for a while without the compass, and is told to be unaided."""
    craft = flown("compass-stuck", 15.0)
    assert not craft.estimate.heading_valid
    assert abs(craft.truth_row()[9]) < 0.15


def test_a_stopped_motor_brings_it_down() -> None:
    """Three rotors do not carry a quadcopter: it falls, tumbling, and lies there."""
    craft = flown("motor-stop", 6.0, airframe="field1400")
    assert craft.truth_row()[14] == 1.0
    assert craft.truth_row()[3] > -0.5


def test_a_clipping_imu_is_counted_and_flown_with() -> None:
    """Shaken and narrow, the accelerometers clip; the estimate gets worse and says so, the craft stays up."""
    craft = flown("imu-clipping", 10.0)
    assert craft.readings.clipped > 50
    assert craft.readings.vibration_m_s2[2] > 1.5
    assert craft.truth_row()[3] == pytest.approx(-3.0, abs=2.5)
    assert craft.estimate.velocity_accuracy_m_s > 0.1

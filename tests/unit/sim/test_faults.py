"""Faults: switched on and off in time, and felt by the vehicle as they are outdoors."""

from __future__ import annotations

from typing import get_args

import pytest

from asflown.scenario.model import Fault
from asflown.sim.core import Core
from asflown.sim.faults import FAULTS, MOTOR_WEAK_SPEED
from tests.unit.sim.flying_core import hovering, run

AT_S = 12.0


def flown(kind: str, seconds: float, for_s: float | None = None, airframe: str = "palm80") -> Core:
    """A craft that has hovered for some seconds since a fault began."""
    fault = Fault.model_validate({"at": AT_S, "inject": kind, "for": for_s})
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
    assert craft._plant.read("rotor/health-1") == MOTOR_WEAK_SPEED
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

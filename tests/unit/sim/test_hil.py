"""Hardware in the loop without hardware: plant and flight controller talk by HIL messages, and time is theirs."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import Conditions, Fault, Home, Identity, Start
from asflown.sim.craft import Craft
from asflown.sim.hil_core import HilCore
from asflown.sim.hil_plant import HilPlant
from asflown.sim.interface import TICK_US, CraftSetup
from asflown.sim.status import base_mode
from tests.unit.link.frames import Sender

AIRFRAMES = ("palm80", "field1400")


class Bench:
    """Plant and controller, 4 ms at a time."""

    def __init__(self, airframe: str = "palm80", conditions: Conditions | None = None) -> None:
        setup = CraftSetup(airframe, "r1", Start(), Conditions(), 1)
        self.core = HilCore(setup)
        self.craft = Craft(setup, Identity(), core=self.core)
        self.plant = HilPlant(airframe, Start(), conditions or Conditions(), 1)
        self.ticks = 0
        self.controls = True
        self._decoder, self._script = mav.MAVLink(None), Sender(245, 190)

    def command(self, number: int, *params: float) -> None:
        """A command of a script, over the radio."""
        filled = (*params, *(0.0,) * (7 - len(params)))
        self.craft.receive(self._script.pack(mav.MAVLink_command_long_message(1, 1, number, 0, *filled)))

    def run(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        """Lets time pass, or until something holds."""
        for _ in range(round(seconds * 250)):
            for frame in self.plant.advance():
                self._take(self._decoder.parse_char(frame))
            if until():
                return

    def _take(self, message: Any) -> None:
        if message.get_type() == "HIL_GPS":
            self.core.take_fix(message)
        if message.get_type() != "HIL_SENSOR":
            return
        for _ in range(self.core.take_sensor(message)):
            if self.core.step():
                self.ticks += 1
                self.craft.tick(self.ticks * TICK_US)
        if self.controls:
            mode, controls = base_mode(self.craft.autopilot), [*self.core.commands, *[0.0] * 12]
            self.plant.take_controls(
                mav.MAVLink_hil_actuator_controls_message(message.time_usec, controls, mode, 0)
            )


def messages(plant: HilPlant, seconds: float) -> list[Any]:
    """Everything it says."""
    decoder = mav.MAVLink(None)
    return [decoder.parse_char(frame) for _ in range(round(250 * seconds)) for frame in plant.advance()]


def test_sensors_at_rest_read_what_the_standard_s_units_make_of_it() -> None:
    """HIL_SENSOR: m/s^2 forward-right-down (up is felt as -g), gauss, hectopascals; one each 4 ms (common.xml)."""
    said = messages(HilPlant("palm80", Start(), Conditions(), 1), 4)
    sensors = [message for message in said if message.get_type() == "HIL_SENSOR"]
    assert {b.time_usec - a.time_usec for a, b in pairwise(sensors)} == {4_000}
    assert sum(m.zacc for m in sensors) / len(sensors) == pytest.approx(-9.81, abs=0.15)
    assert sensors[-1].abs_pressure == pytest.approx(1013.25, abs=0.5)
    assert 0.3 < (sensors[-1].xmag ** 2 + sensors[-1].ymag ** 2 + sensors[-1].zmag ** 2) ** 0.5 < 0.65
    assert {m.fields_updated for m in sensors} == {0x3F, 0x1BFF}


def test_fixes_and_state_tell_where_the_craft_is() -> None:
    """HIL_GPS and HIL_STATE_QUATERNION: 1e-7 degrees, millimetres, a unit quaternion."""
    home = Home(latitude_deg=47.1, longitude_deg=8.2, altitude_m=400.0)
    said = messages(HilPlant("palm80", Start(home=home), Conditions(), 1), 2)
    fix = next(m for m in said if m.get_type() == "HIL_GPS")
    state = next(m for m in said if m.get_type() == "HIL_STATE_QUATERNION")
    assert (fix.lat / 1e7, fix.lon / 1e7) == (pytest.approx(47.1, abs=1e-4), pytest.approx(8.2, abs=1e-4))
    assert (fix.alt / 1e3, state.alt / 1e3) == (pytest.approx(400, abs=8), pytest.approx(400.0, abs=0.5))
    assert sum(part**2 for part in state.attitude_quaternion) == pytest.approx(1.0)
    assert state.zacc == pytest.approx(-1000, abs=3)


@pytest.mark.parametrize("airframe", AIRFRAMES)
def test_the_controller_flies_the_plant_by_messages_alone(airframe: str) -> None:
    """Up to three metres, level, and down again: motors off on the ground."""
    bench = Bench(airframe)
    bench.run(12, until=lambda: bench.core.estimate.position_valid)
    bench.command(400, 1)
    bench.run(0.5)
    bench.command(22, 0, 0, 0, 0, 0, 0, 3)
    bench.run(8)
    assert -bench.plant._plant.position_ned_m()[2] == pytest.approx(3.0, abs=0.8)
    bench.command(21)
    bench.run(25, until=lambda: not bench.core.armed)
    assert not bench.core.armed
    assert bench.plant._plant.on_ground()


def test_it_says_that_its_sensors_are_simulated() -> None:
    """MAV_MODE_FLAG_HIL_ENABLED (32) in HEARTBEAT's base_mode; the built-in vehicle does not say so."""
    assert base_mode(Bench().craft.autopilot) & 32
    built_in = Craft(CraftSetup("palm80", "r1", Start(), Conditions(), 1), Identity())
    assert not base_mode(built_in.autopilot) & 32


def test_motors_stop_when_the_controller_falls_silent() -> None:
    """Half a second after the last HIL_ACTUATOR_CONTROLS."""
    bench = Bench()
    bench.plant.take_controls(mav.MAVLink_hil_actuator_controls_message(0, [0.5] * 16, 128, 0))
    bench.controls = False
    bench.run(0.45)
    assert bench.plant._commands == (0.5, 0.5, 0.5, 0.5)
    bench.run(0.2)
    assert bench.plant._commands == (0.0, 0.0, 0.0, 0.0)


def test_what_is_broken_on_a_bench_is_the_physics() -> None:
    """A fault of the scenario reaches plant and sensors: without fixes the controller says so and does not arm."""
    bench = Bench(conditions=Conditions(faults=(Fault(at_s=0, inject="gnss-loss"),)))
    bench.run(8)
    assert not bench.core.estimate.position_valid
    assert bench.core.arm() == "position not known: wait for satellites"
    assert not bench.core.set_fault("gnss-loss", active=True)


def test_a_gap_in_the_sensors_is_not_lived_through() -> None:
    """Two seconds without a message: time goes on from there, instead of a thousand steps at once."""
    core = Bench().core
    first = mav.MAVLink_hil_sensor_message(1_000_000, 0, 0, -9.8, 0, 0, 0, 0, 0, 0, 1013, 0, 0, 15, 0x3F)
    later = mav.MAVLink_hil_sensor_message(3_000_000, 0, 0, -9.8, 0, 0, 0, 0, 0, 0, 1013, 0, 0, 15, 0x3F)
    assert (core.take_sensor(first), core.take_sensor(later)) == (1, 1)

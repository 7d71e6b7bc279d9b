"""Physics and sensors for a flight controller on a bench: the plant at 500 Hz, sensors at 250 Hz, as HIL messages.

Hardware in the loop: HIL_SENSOR, HIL_GPS and HIL_STATE_QUATERNION go out, HIL_ACTUATOR_CONTROLS comes in. Sensors are
the same models as the built-in vehicle's, with the same noise; readings carry the time of the physics, which begins at
0. No clock is asked: `advance` lets 4 ms pass. Controls 1 to 4 are the motors, clockwise from the front right, 0 to 1;
without any for half a second the motors stop, as speed controllers see to.
"""

from __future__ import annotations

from struct import Struct
from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.frames import quaternion_from_euler
from asflown.record.truth import TRUTH_COLUMNS
from asflown.scenario.model import Conditions, Start
from asflown.sim.airframe import airframe_named
from asflown.sim.battery import Battery
from asflown.sim.controller.mixer import STOPPED, Commands
from asflown.sim.faults import Breakables, FaultSchedule
from asflown.sim.own_craft import alter, with_sensors_of
from asflown.sim.plant import FOOT_M, Plant
from asflown.sim.seeds import generator
from asflown.sim.sensors.barometer import Barometer
from asflown.sim.sensors.gnss import Fix, Gnss
from asflown.sim.sensors.imu import Imu
from asflown.sim.sensors.magnetometer import Magnetometer
from asflown.sim.weather import Weather

PERIOD_US = 4_000
STEP_US = 2_000
STEPS_PER_PERIOD, STEPS_PER_TICK = 2, 5
SLOW_TICKS = 2
CONTROLS_STOP_US = 500_000
OWN_SYSTEM, OWN_COMPONENT = 253, int(mav.MAV_COMP_ID_PERIPHERAL)
G_M_S2 = 9.80665
INERTIAL, MAGNETIC, PRESSURE = 0x3F, 0x1C0, 0x1A00
"""Bits of HIL_SENSOR.fields_updated: rates and forces; field; absolute pressure, pressure altitude, temperature."""
_ROW = Struct(f"<{len(TRUTH_COLUMNS)}d")
_ARMED = 128


class HilPlant:
    """One craft on the bench."""

    def __init__(self, airframe: str, start: Start, conditions: Conditions, seed: int) -> None:
        """Raises VehicleProblem for an airframe that does not exist."""
        sheet = with_sensors_of(airframe_named(airframe), conditions.craft)
        self._plant = Plant(sheet.name, start, sheet.rest_height_m, conditions.air, STEP_US / 1e6)
        self._imu = Imu(sheet.imu, generator(seed, "imu"))
        self._barometer = Barometer(sheet.barometer, generator(seed, "barometer"))
        self._magnetometer = Magnetometer(
            sheet.compass, generator(seed, "magnetometer"), sheet.hover_current_a
        )
        self._gnss = Gnss(sheet.gnss, generator(seed, "gnss"))
        self._weather = Weather(conditions.wind, generator(seed, "turbulence"), SLOW_TICKS * 0.01)
        pack = sheet.battery
        self._battery = Battery(
            pack.cells, pack.capacity_ah, start.battery, pack.gauge_error, generator(seed, "battery")
        )
        parts = Breakables(
            self._plant,
            self._imu,
            self._gnss,
            self._barometer,
            self._magnetometer,
            self._plant.read("battery/resistance-ohm"),
        )
        self._faults = FaultSchedule(conditions.faults, parts)
        alter(self._plant, conditions.craft)
        self._mavlink = mav.MAVLink(None, OWN_SYSTEM, OWN_COMPONENT)
        self._steps = 0
        self._commands: Commands = STOPPED
        self._controls_us: int | None = None
        self._armed = False
        self._field, self._pressure_pa, self._news = (0.0, 0.0, 0.0), 101_325.0, 0
        self._out: list[bytes] = []
        self._rows: list[bytes] = []

    @property
    def now_us(self) -> int:
        """Time of the physics."""
        return self._steps * STEP_US

    def take_controls(self, message: Any) -> None:
        """Takes a HIL_ACTUATOR_CONTROLS."""
        one, two, three, four = (min(1.0, max(0.0, value)) for value in message.controls[:4])
        self._commands = one, two, three, four
        self._armed = bool(message.mode & _ARMED)
        self._controls_us = self.now_us

    def advance(self) -> list[bytes]:
        """4 ms; the frames for the flight controller. Raises HarnessFault when the physics break down."""
        if self._controls_us is not None and self.now_us - self._controls_us > CONTROLS_STOP_US:
            self._commands, self._controls_us = STOPPED, None
        for _ in range(STEPS_PER_PERIOD):
            if self._steps % STEPS_PER_TICK == 0:
                self._tick(self._steps // STEPS_PER_TICK)
            self._plant.step(self._commands)
            self._steps += 1
        self._say_sensors()
        frames, self._out = self._out, []
        return frames

    def drain_truth(self) -> bytes:
        """Rows in the order of record.truth.TRUTH_COLUMNS since the last call, 100 Hz, by the time of the physics."""
        rows, self._rows = self._rows, []
        return b"".join(rows)

    def _tick(self, tick: int) -> None:
        """What happens every 10 ms, before the steps."""
        plant, battery = self._plant, self._battery
        if tick:
            plant.check()
            plant.wreck()
            self._keep_truth(tick)
            plant.forget_states()
        self._faults.step(tick)
        current_a = plant.current_a()
        battery.draw(current_a, 0.01)
        plant.set_open_circuit_v(battery.open_circuit_v)
        if tick % SLOW_TICKS == 0:
            plant.set_wind_ned_m_s(*self._weather.step(plant.height_m(), plant.airspeed_m_s()))
            self._pressure_pa = self._barometer.sample_pa(plant.pressure_pa())
            self._field = self._magnetometer.sample_gauss(*plant.attitude_rad(), current_a)
            self._news = MAGNETIC | PRESSURE
            self._say_state()
        if self._gnss.sample_due(tick):
            self._gnss.sample(tick, plant.geodetic(), plant.velocity_ned_m_s())
        fix = self._gnss.delivered(tick)
        if fix is not None:
            self._say_fix(fix)
        self._imu.begin_tick(sum(self._commands) / 4)
        plant.begin_tick()

    def _keep_truth(self, tick: int) -> None:
        plant = self._plant
        self._rows.append(
            _ROW.pack(
                tick * 0.01,
                *plant.position_ned_m(),
                *plant.velocity_ned_m_s(),
                *plant.attitude_rad(),
                *plant.state[9:12],
                self._battery.remaining,
                float(plant.on_ground()),
                float(self._armed),
            )
        )

    def _say(self, message: Any) -> None:
        self._out.append(bytes(message.pack(self._mavlink)))
        self._mavlink.seq = (self._mavlink.seq + 1) % 256

    def _say_sensors(self) -> None:
        p, q, r, x, y, z = self._imu.sample(self._plant.state)
        news, self._news = self._news | INERTIAL, 0
        height_m = 44_330.8 * (1.0 - (self._pressure_pa / 101_325.0) ** 0.190263)
        temperature_c = self._plant.temperature_k() - 273.15
        hectopascals = self._pressure_pa / 100
        self._say(
            mav.MAVLink_hil_sensor_message(
                self.now_us, x, y, z, p, q, r, *self._field, hectopascals, 0.0, height_m, temperature_c, news
            )
        )

    def _say_fix(self, fix: Fix) -> None:
        """Accuracies travel as dilutions, of a range error of 1 m."""
        north, east, down = (round(100 * value) for value in fix.velocity_ned_m_s)
        self._say(
            mav.MAVLink_hil_gps_message(
                fix.tick * 10_000, 3, round(1e7 * fix.latitude_deg), round(1e7 * fix.longitude_deg),
                round(1e3 * fix.altitude_m), round(100 * fix.horizontal_accuracy_m),
                round(100 * fix.vertical_accuracy_m), round((north**2 + east**2) ** 0.5), north, east, down,
                0xFFFF, self._gnss.satellites,
            )
        )  # fmt: skip

    def _say_state(self) -> None:
        plant = self._plant
        latitude_deg, longitude_deg, altitude_m = plant.geodetic()
        velocity = (round(100 * value) for value in plant.velocity_ned_m_s())
        air_cm_s = round(100 * plant.airspeed_m_s())
        force = (_milli_g(value * FOOT_M) for value in plant.state[12:15])
        self._say(
            mav.MAVLink_hil_state_quaternion_message(
                self.now_us, list(quaternion_from_euler(*plant.attitude_rad())), *plant.state[9:12],
                round(1e7 * latitude_deg), round(1e7 * longitude_deg), round(1e3 * altitude_m),
                *velocity, air_cm_s, air_cm_s, *force,
            )
        )  # fmt: skip


def _milli_g(value_m_s2: float) -> int:
    return max(-32_768, min(32_767, round(1000 * value_m_s2 / G_M_S2)))

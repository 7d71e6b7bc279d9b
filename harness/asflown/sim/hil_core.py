"""The flight core of a flight controller on a bench: estimator and controller, fed by HIL messages instead of sensors.

Time is that of the HIL_SENSOR messages: a reading stands for the time since the one before, and is used for every
2.5 ms of control that fit into it. So the loops run at their own 400 Hz, whatever the rate of the messages. The battery
is the controller's own count, from what its motors were told: HIL messages have none.
"""

from __future__ import annotations

from typing import Any

from asflown.sim.airframe import airframe_named
from asflown.sim.battery import Battery
from asflown.sim.controller.controller import Controller
from asflown.sim.controller.craft import craft_of
from asflown.sim.controller.mixer import STOPPED, Commands
from asflown.sim.estimator.estimator import Estimator
from asflown.sim.estimator.noises import noises_of
from asflown.sim.every_core import FIX_3D, FIX_NONE, note_fix, note_fix_lost, why_not_armed
from asflown.sim.interface import (
    STEPS_PER_TICK,
    TICK_US,
    CoreEvents,
    CraftSetup,
    Estimate,
    PositionFeed,
    Readings,
    Target,
)
from asflown.sim.plant import Plant
from asflown.sim.releases import release_named
from asflown.sim.seeds import generator
from asflown.sim.sensors.gnss import Fix
from asflown.sim.sensors.imu import AT_REST, Sample

STEP_US = TICK_US // STEPS_PER_TICK
MAGNETIC, PRESSURE = 0x1C0, 0x200
LONGEST_GAP_US = 500_000
"""A longer silence of the sensors is not lived through: time goes on from there."""
FIX_LOST_US = 1_500_000
_INFO = 6
_SLOW_TICKS = 2


class HilCore:
    """Fulfils `FlightCore`. Raises VehicleProblem for an airframe or release that does not exist."""

    in_the_loop = True
    """Its sensors and motors are simulated."""

    def __init__(self, setup: CraftSetup) -> None:
        airframe, release = airframe_named(setup.airframe), release_named(setup.release)
        self.events = CoreEvents()
        self.estimate, self.readings = Estimate(), Readings(gnss_fix=FIX_NONE)
        self.limits, self.target = airframe.limits(), Target()
        self.armed, self.on_ground = False, True
        designed = Plant(airframe.name, setup.start, airframe.rest_height_m)  # what its designer measured
        self._resistance_ohm = designed.read("battery/resistance-ohm")
        self._hover = airframe.hover_throttle, airframe.hover_current_a
        self.readings.range_span_m = airframe.rangefinder.least_m, airframe.rangefinder.most_m
        pack = airframe.battery
        self._battery = Battery(
            pack.cells, pack.capacity_ah, setup.start.battery, 0.0, generator(setup.seed, "battery")
        )
        self._estimator = Estimator(
            self.estimate, self.events, setup.start.home.latitude_deg, noises_of(airframe)
        )
        self._controller = Controller(
            release,
            release.tunings[airframe.name],
            craft_of(designed),
            self._estimator.strapdown,
            self.estimate,
        )
        self._ticks = self._steps = 0
        self._begun_us: int | None = None
        """Time of the sensors at step 0."""
        self._sensor_us = 0
        self._measured: Sample = AT_REST
        self._fresh = 0
        self._fix_us: int | None = None
        self.commands: Commands = STOPPED
        """Of the four motors, 0 to 1."""
        self._count_battery()

    # From the bench

    def take_sensor(self, message: Any) -> int:
        """Takes a HIL_SENSOR; how many steps of 2.5 ms are due by then."""
        now_us = message.time_usec
        if self._begun_us is None or not 0 <= now_us - self._sensor_us <= LONGEST_GAP_US:
            self._begun_us = now_us - self._steps * STEP_US - STEP_US
        self._sensor_us = now_us
        self._measured = (
            message.xgyro, message.ygyro, message.zgyro, message.xacc, message.yacc, message.zacc
        )  # fmt: skip
        readings, self._fresh = self.readings, self._fresh | message.fields_updated
        if message.fields_updated & MAGNETIC:
            readings.magnetic_frd_gauss = message.xmag, message.ymag, message.zmag
        if message.fields_updated & PRESSURE:
            readings.pressure_pa, readings.temperature_c = 100 * message.abs_pressure, message.temperature
        return int(now_us - self._begun_us) // STEP_US - self._steps

    def step(self) -> bool:
        """2.5 ms of attitude and motors; whether a tick of 10 ms is complete and `tick` is due."""
        estimator = self._estimator
        (estimator.strapdown.propagate if estimator.aligned else estimator.propagate)(self._measured)
        self.commands = self._controller.motors()()
        self._steps += 1
        return self._steps % STEPS_PER_TICK == 0

    def take_fix(self, message: Any) -> None:
        """Takes a HIL_GPS, which is stamped with the time it is valid for."""
        readings = self.readings
        if message.fix_type < FIX_3D or self._begun_us is None:
            return
        self._fix_us = self._sensor_us
        fix = Fix(
            tick=(message.time_usec - self._begun_us) // TICK_US,
            latitude_deg=message.lat / 1e7,
            longitude_deg=message.lon / 1e7,
            altitude_m=message.alt / 1e3,
            velocity_ned_m_s=(message.vn / 100, message.ve / 100, message.vd / 100),
            horizontal_accuracy_m=message.eph / 100,
            vertical_accuracy_m=message.epv / 100,
        )
        note_fix(readings, self.events, fix, message.satellites_visible)
        self._estimator.take_fix(fix)

    # As every flight core

    def tick(self) -> None:
        """The slow part of 10 ms, after four steps."""
        self._ticks += 1
        readings, commands = self.readings, self.commands
        readings.throttle = 0.25 * sum(commands)
        readings.rate_frd_rad_s, readings.acceleration_frd_m_s2 = self._measured[:3], self._measured[3:]
        if self._ticks % _SLOW_TICKS == 0 and self._fresh & (MAGNETIC | PRESSURE):
            self._fresh = 0
            self._estimator.take_field(self._ticks, readings.magnetic_frd_gauss, readings.pressure_pa)
        self._watch_fix()
        self._estimator.tick(self._ticks)
        self._count_battery()
        self._controller.update(self.target, self.limits, readings.battery_voltage_v, 1.0)
        if self.on_ground != self._controller.on_ground:
            self.on_ground = self._controller.on_ground
            self.events.texts.append((_INFO, "On the ground" if self.on_ground else "Left the ground"))

    def arm(self) -> str:
        """Arms; returns '' or why not."""
        refused = "" if self.armed else why_not_armed(self._estimator, self.readings)
        if not refused:
            self._controller.arm()
            self.armed = True
        return refused

    def disarm(self) -> None:
        """Stops the motors at once. The autopilot asks only on the ground."""
        self._controller.disarm()
        self.commands = STOPPED
        self.armed, self.on_ground = False, self._controller.on_ground

    def set_fault(self, kind: str, *, active: bool, severity: float = 1.0, unit: int = 1) -> bool:
        """It breaks nothing itself: what is broken on a bench is the physics."""
        return False

    def take_position(self, feed: PositionFeed) -> None:
        """Takes in a position measured outside the vehicle."""
        self._estimator.take_position(self._ticks, feed)

    def set_origin(self, latitude_deg: float, longitude_deg: float, altitude_m: float) -> bool:
        """Names the origin of a flight without GNSS; False when GNSS has named it already."""
        return self._estimator.set_origin(latitude_deg, longitude_deg, altitude_m)

    def rest_ned_m(self) -> tuple[float, float, float]:
        """Where the craft comes to rest when it is told to stop now and brakes as it plans to."""
        return self._controller.rest_ned_m(self.limits)

    def truth_row(self) -> tuple[float, ...]:
        """A flight controller knows no truth."""
        return ()

    def drain_state(self) -> bytes:
        """Nor a plant."""
        return b""

    def _watch_fix(self) -> None:
        readings = self.readings
        if self._fix_us is None or readings.gnss_fix == FIX_NONE:
            return
        if self._sensor_us - self._fix_us > FIX_LOST_US:
            note_fix_lost(readings, self.events)

    def _count_battery(self) -> None:
        """Current from the throttle: that of hover times the cube of their ratio (common practice, no source)."""
        throttle, current_a = self._hover
        drawn_a = current_a * (self.readings.throttle / throttle) ** 3
        battery, readings = self._battery, self.readings
        battery.draw(drawn_a, TICK_US / 1e6)
        readings.battery_current_a, readings.battery_remaining = drawn_a, battery.gauge_remaining
        readings.battery_voltage_v = battery.open_circuit_v - self._resistance_ohm * drawn_a

"""The flight core: plant, sensors, estimator and controller of one craft, stepped 10 ms at a time.

Order within a tick: faults and weather; four times plant, IMU, strapdown, motors; then the slower sensors,
corrections, and the position loop, whose commands the next tick's motors follow. No clock is asked: time is the
number of ticks. Two cores built from equal setups give equal bytes.
"""

from __future__ import annotations

from math import sqrt

from asflown.sim.airframe import Airframe, airframe_named
from asflown.sim.atmosphere import density_kg_m3
from asflown.sim.battery import Battery
from asflown.sim.controller.controller import Controller
from asflown.sim.controller.craft import craft_of
from asflown.sim.controller.mixer import STOPPED, Commands
from asflown.sim.estimator.estimator import Estimator
from asflown.sim.estimator.noises import noises_of
from asflown.sim.every_core import FIX_3D, FIX_NONE, note_fix, note_fix_lost, why_not_armed
from asflown.sim.faults import Breakables, FaultSchedule
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
from asflown.sim.own_craft import alter, with_sensors_of
from asflown.sim.plant import Plant
from asflown.sim.releases import release_named, retuned
from asflown.sim.seeds import generator
from asflown.sim.sensors.barometer import Barometer
from asflown.sim.sensors.gnss import Gnss
from asflown.sim.sensors.imu import AT_REST, Imu, Sample
from asflown.sim.sensors.magnetometer import Magnetometer
from asflown.sim.sensors.outside_position import OutsidePosition
from asflown.sim.sensors.rangefinder import PERIOD_TICKS as RANGE_EVERY_TICKS
from asflown.sim.sensors.rangefinder import Rangefinder
from asflown.sim.weather import Weather

TICK_S = TICK_US * 1e-6
_SLOW_EVERY_TICKS = 2
SLOW_S = _SLOW_EVERY_TICKS * TICK_S
"""Period of wind, barometer, magnetometer and covariances."""
_STANDARD_DENSITY_KG_M3 = 1.225
_SMOOTHING = SLOW_S / 0.5
_SEVERITY_CRITICAL, _SEVERITY_INFO = 2, 6


class Core:
    """Fulfils `FlightCore`. Raises VehicleProblem for an airframe or release that does not exist."""

    def __init__(self, setup: CraftSetup, airframe: Airframe | None = None) -> None:
        """`airframe` replaces the sheet of the named one: for tests with other sensors."""
        design, release = airframe or airframe_named(setup.airframe), release_named(setup.release)
        airframe = with_sensors_of(design, setup.conditions.craft)
        seed = setup.seed
        self.events = CoreEvents()
        self.estimate, self.readings = Estimate(), Readings(gnss_fix=FIX_NONE)
        self.limits, self.target = airframe.limits(), Target()
        self.armed, self.on_ground = False, True
        self._plant = plant = Plant(airframe.name, setup.start, airframe.rest_height_m, setup.conditions.air)
        self._imu = Imu(airframe.imu, generator(seed, "imu"))
        self._barometer = Barometer(airframe.barometer, generator(seed, "barometer"))
        self._magnetometer = Magnetometer(
            airframe.compass, generator(seed, "magnetometer"), airframe.hover_current_a
        )
        self.readings.range_span_m = airframe.rangefinder.least_m, airframe.rangefinder.most_m
        self._rangefinder = Rangefinder(airframe.rangefinder, generator(seed, "rangefinder"))
        self._clipped, self._shaken = 0, (0.0, 0.0, 0.0)
        self._gnss = Gnss(airframe.gnss, generator(seed, "gnss"))
        sheet_of_feed = setup.conditions.position_feed
        self._outside = (
            None
            if sheet_of_feed is None
            else OutsidePosition(sheet_of_feed, generator(seed, "outside position"))
        )
        self._weather = Weather(setup.conditions.wind, generator(seed, "turbulence"), SLOW_S)
        sheet = airframe.battery
        self._battery = Battery(
            sheet.cells, sheet.capacity_ah, setup.start.battery, sheet.gauge_error, generator(seed, "battery")
        )
        self._estimator = Estimator(
            self.estimate, self.events, setup.start.home.latitude_deg, noises_of(design)
        )
        self._controller = Controller(
            release,
            retuned(release.tunings[airframe.name], setup.gains),
            craft_of(plant),
            self._estimator.strapdown,
            self.estimate,
        )
        parts = Breakables(
            plant,
            self._imu,
            self._gnss,
            self._barometer,
            self._magnetometer,
            plant.read("battery/resistance-ohm"),
            self._outside,
        )
        self._faults = FaultSchedule(setup.conditions.faults, parts)
        alter(plant, setup.conditions.craft)
        self._ticks = 0
        chance = setup.conditions.chance
        self._anew_seed, self._anew_tick = 0, -1
        if chance is not None:
            self._anew_seed, self._anew_tick = chance.seed, round(chance.anew_at_s / TICK_S) + 1
        self._commands: Commands = STOPPED
        self._density_ratio = 1.0
        self._load_battery()

    def tick(self) -> None:
        """10 ms of flight. Raises HarnessFault when the plant's state is not a number any more."""
        self._ticks += 1
        if self._ticks == self._anew_tick:
            self._renew_chance()
        self._faults.step(self._ticks)
        if self._ticks % _SLOW_EVERY_TICKS == 0:
            self._blow()
        self._plant.begin_tick()
        self._fly()
        self._plant.check()
        if self._plant.wreck():
            self.events.texts.append((_SEVERITY_CRITICAL, "Crashed"))
        self._sense()
        self._estimator.tick(self._ticks)
        self._load_battery()
        self._controller.update(
            self.target, self.limits, self.readings.battery_voltage_v, self._density_ratio
        )
        if self.on_ground != self._controller.on_ground:
            self.on_ground = self._controller.on_ground
            self.events.texts.append(
                (_SEVERITY_INFO, "On the ground" if self.on_ground else "Left the ground")
            )

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
        self._commands = STOPPED
        self.armed, self.on_ground = False, self._controller.on_ground

    def set_fault(self, kind: str, *, active: bool, severity: float = 1.0, unit: int = 1) -> bool:
        """Switches a fault on or off at once; False for a kind that is not one of the craft's own."""
        return self._faults.switch(kind, active=active, severity=severity, unit=unit)

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
        """In the order of record.truth.TRUTH_COLUMNS."""
        plant = self._plant
        return (
            self._ticks * TICK_S,
            *plant.position_ned_m(),
            *plant.velocity_ned_m_s(),
            *plant.attitude_rad(),
            *plant.state[9:12],
            self._battery.remaining,
            float(plant.on_ground()),
            float(self.armed),
        )

    def drain_state(self) -> bytes:
        """The unquantised plant state (plant.STATE_NODES) at each step since the last call, packed doubles."""
        return self._plant.drain_state()

    def _renew_chance(self) -> None:
        """What is still to be drawn comes from another seed; what was drawn once for the whole flight stays."""
        seed = self._anew_seed
        self._imu.renew(generator(seed, "imu anew"))
        self._barometer.renew(generator(seed, "barometer anew"))
        self._magnetometer.renew(generator(seed, "magnetometer anew"))
        self._rangefinder.renew(generator(seed, "rangefinder anew"))
        self._gnss.renew(generator(seed, "gnss anew"))
        self._weather.renew(generator(seed, "turbulence anew"))
        if self._outside is not None:
            self._outside.renew(generator(seed, "outside position anew"))

    def _blow(self) -> None:
        plant = self._plant
        plant.set_wind_ned_m_s(*self._weather.step(plant.height_m(), plant.airspeed_m_s()))

    def _fly(self) -> None:
        readings, imu, estimator = self.readings, self._imu, self._estimator
        imu.begin_tick(readings.throttle)
        step, sample, commands = self._plant.step, imu.sample, self._commands
        propagate = estimator.strapdown.propagate if estimator.aligned else estimator.propagate
        control = self._controller.motors()
        measured: Sample = AT_REST
        for _ in range(STEPS_PER_TICK):
            measured = sample(step(commands))
            propagate(measured)
            commands = control()
        self._commands = commands
        readings.throttle = 0.25 * (commands[0] + commands[1] + commands[2] + commands[3])
        readings.rate_frd_rad_s, readings.acceleration_frd_m_s2 = measured[:3], measured[3:]
        if imu.clipped != self._clipped:
            self._clipped = imu.clipped
            readings.clipped += 1
            estimator.clipped()

    def _sense(self) -> None:
        tick, plant, readings = self._ticks, self._plant, self.readings
        if tick % _SLOW_EVERY_TICKS == 0:
            readings.pressure_pa = self._barometer.sample_pa(plant.pressure_pa())
            readings.magnetic_frd_gauss = self._magnetometer.sample_gauss(
                *plant.attitude_rad(), readings.battery_current_a
            )
            self._feel_vibration()
            self._estimator.take_field(tick, readings.magnetic_frd_gauss, readings.pressure_pa)
        if tick % RANGE_EVERY_TICKS == 0:
            readings.range_m = self._rangefinder.sample_m(plant.height_m(), *plant.state[6:8])
        if self._outside is not None:
            self._look_outside(self._outside)
        if self._gnss.sample_due(tick):
            self._gnss.sample(tick, plant.geodetic(), plant.velocity_ned_m_s())
            self._look_at_receiver()
        fix = self._gnss.delivered(tick)
        if fix is not None:
            note_fix(readings, self.events, fix, self._gnss.satellites)
            self._estimator.take_fix(fix)

    def _look_outside(self, outside: OutsidePosition) -> None:
        if outside.sample_due(self._ticks):
            plant = self._plant
            outside.sample(self._ticks, plant.position_ned_m(), plant.attitude_rad()[2])
        feed = outside.delivered(self._ticks)
        if feed is not None:
            self._estimator.take_position(self._ticks, feed)

    def _feel_vibration(self) -> None:
        """The standard deviation of what changes from one look to the next, smoothed over half a second."""
        readings = self.readings
        x, y, z = readings.acceleration_frd_m_s2
        ox, oy, oz = self._shaken
        vx, vy, vz = readings.vibration_m_s2
        self._shaken = x, y, z
        readings.vibration_m_s2 = (
            sqrt(vx * vx + _SMOOTHING * (0.5 * (x - ox) ** 2 - vx * vx)),
            sqrt(vy * vy + _SMOOTHING * (0.5 * (y - oy) ** 2 - vy * vy)),
            sqrt(vz * vz + _SMOOTHING * (0.5 * (z - oz) ** 2 - vz * vz)),
        )

    def _look_at_receiver(self) -> None:
        """Says when fixes stop and come back; temperature and density change as slowly."""
        readings, lost = self.readings, self._gnss.lost
        if lost and readings.gnss_fix == FIX_3D:
            note_fix_lost(readings, self.events)
        temperature_k = self._plant.temperature_k()
        readings.temperature_c = temperature_k - 273.15
        self._density_ratio = density_kg_m3(readings.pressure_pa, temperature_k) / _STANDARD_DENSITY_KG_M3

    def _load_battery(self) -> None:
        battery, plant, readings = self._battery, self._plant, self.readings
        current_a = plant.current_a()
        battery.draw(current_a, TICK_S)
        plant.set_open_circuit_v(battery.open_circuit_v)
        readings.battery_voltage_v, readings.battery_current_a = (
            plant.state[19],
            battery.measured_a(current_a),
        )
        readings.battery_remaining = battery.gauge_remaining

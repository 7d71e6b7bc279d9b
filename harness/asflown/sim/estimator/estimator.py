"""The estimator: strapdown integration, corrected by GNSS, barometer and magnetometer through error channels.

Errors are 'true minus believed'. With a small attitude error psi (north-east-down) the specific force of level
flight, -g down, gives d velocity = g (-psi_east, psi_north): so the tilt of the north channel is -psi_east and
that of the east channel psi_north. GNSS arrives late: its innovation is taken against the remembered belief of
the tick it is valid for. Height comes from the barometer; GNSS gives vertical velocity only.
"""

from __future__ import annotations

from collections import deque
from math import atan2, hypot, sqrt

from asflown.frames import TangentPlane, euler_from_quaternion, wrap_angle
from asflown.sim.atmosphere import normal_gravity_m_s2, pressure_height_m
from asflown.sim.estimator.alignment import Alignment
from asflown.sim.estimator.channels import HeadingChannel, HorizontalChannel, VerticalChannel
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.interface import CoreEvents, Estimate
from asflown.sim.sensors.gnss import Fix
from asflown.sim.sensors.imu import Sample
from asflown.sim.sensors.magnetometer import FIELD_NED_GAUSS, Vector

PERIOD_S = 0.02
ALIGNMENT_TICKS = 100
_ORIGIN_FIXES = 6
_REMEMBERED_TICKS = 40
_VALID_AFTER_FIXES = 5
_VALID_BELOW_M, _INVALID_ABOVE_M = 2.5, 5.0
_GATE_SIGMAS = 5.0
_REJECTED_FIXES_BEFORE_RESET = 10
_SILENT_TICKS = 100

_POSITION_VARIANCE = 0.7**2
_VELOCITY_VARIANCE = 0.1**2
_VERTICAL_VELOCITY_VARIANCE = 0.2**2
_STILLNESS_VARIANCE = 3.0**2
_HEIGHT_VARIANCE = 0.2**2
_HEADING_VARIANCE = 0.1**2

_SEVERITY_WARNING, _SEVERITY_INFO = 4, 6

Remembered = tuple[int, float, float, float, float, float]
"""Tick, then north and east of position, then velocity north-east-down."""


class Estimator:
    """Feeds `estimate`, in place. Calls in each 10 ms: four `propagate`, then `tick`, then what arrived."""

    def __init__(self, estimate: Estimate, events: CoreEvents, latitude_deg: float) -> None:
        gravity = normal_gravity_m_s2(latitude_deg)
        self.estimate = estimate
        self.strapdown = Strapdown(gravity)
        self.aligned = False
        self._events = events
        self._alignment = Alignment()
        self._declination = atan2(FIELD_NED_GAUSS[1], FIELD_NED_GAUSS[0])
        self._level = HorizontalChannel(gravity, 2e-3, 1e-6, 1e-9)
        self._height = VerticalChannel(0.01, 1e-5)
        self._heading = HeadingChannel(1e-5, 1e-9)
        self._ground_height_m = 0.0
        self._plane: TangentPlane | None = None
        self._first_fixes: list[Fix] = []
        self._fixes = self._rejected = 0
        self._last_fix_tick = 0
        self._gnss_accuracy_m = self._gnss_vertical_m = 99.0
        self._memory: deque[Remembered] = deque(maxlen=_REMEMBERED_TICKS)

    def propagate(self, sample: Sample) -> None:
        """2.5 ms of motion."""
        if self.aligned:
            self.strapdown.propagate(sample)
        else:
            self._alignment.add_motion(sample)

    def tick(self, tick: int) -> None:
        """Ends 10 ms: remembers the belief, and publishes it."""
        if not self.aligned:
            return
        s = self.strapdown
        if self._plane is None:
            s.north_m = s.east_m = s.velocity_north_m_s = s.velocity_east_m_s = 0.0
        self._memory.append(
            (tick, s.north_m, s.east_m, s.velocity_north_m_s, s.velocity_east_m_s, s.velocity_down_m_s)
        )
        self._watch_gnss(tick)
        self._publish()

    def take_field(self, tick: int, magnetic_gauss: Vector, pressure_pa: float) -> None:
        """Takes in magnetometer and barometer, every 20 ms."""
        if self.aligned:
            self._level.predict(PERIOD_S)
            self._height.predict(PERIOD_S)
            self._heading.predict(PERIOD_S)
            self._correct_height(self._ground_height_m - pressure_height_m(pressure_pa))
            self._correct_heading(magnetic_gauss)
            return
        self._alignment.add_field(magnetic_gauss, pressure_pa)
        if tick >= ALIGNMENT_TICKS:
            self._finish_alignment()

    def take_fix(self, fix: Fix) -> None:
        """Takes in a position fix."""
        if not self.aligned:
            return
        self._last_fix_tick = fix.tick
        self._gnss_accuracy_m, self._gnss_vertical_m = fix.horizontal_accuracy_m, fix.vertical_accuracy_m
        if self._plane is None:
            self._collect_origin(fix)
            return
        before = self._remembered(fix.tick)
        north, east, _ = self._plane.to_ned(fix.latitude_deg, fix.longitude_deg, fix.altitude_m)
        north, east = north - before[1], east - before[2]
        v_north, v_east, v_down = fix.velocity_ned_m_s
        self._correct_climb(v_down - before[5])
        if self._plausible(north, east):
            self._correct_level(self._level.gain_position(_POSITION_VARIANCE), north, east)
            self._fixes += 1
        gain = self._level.gain_velocity(_VELOCITY_VARIANCE)
        self._correct_level(gain, v_north - before[3], v_east - before[4])

    def _finish_alignment(self) -> None:
        found, s = self._alignment.result(), self.strapdown
        s.align(found.roll_rad, found.pitch_rad, found.magnetic_heading_rad + self._declination)
        s.bias_p, s.bias_q, s.bias_r = found.rate_bias_rad_s
        self._ground_height_m = pressure_height_m(found.pressure_pa)
        self._level.reset(1.0, 0.3, 0.01, 0.001)
        self._height.reset(0.05, 0.05, 0.1)
        self._heading.reset(0.05, 0.001)
        self.aligned = True

    def _collect_origin(self, fix: Fix) -> None:
        """The origin is the mean of the first fixes: the vehicle's own idea of home."""
        fixes = self._first_fixes
        fixes.append(fix)
        if len(fixes) < _ORIGIN_FIXES:
            return
        latitude = sum(f.latitude_deg for f in fixes) / len(fixes)
        longitude = sum(f.longitude_deg for f in fixes) / len(fixes)
        altitude = sum(f.altitude_m for f in fixes) / len(fixes)
        e = self.estimate
        e.origin_latitude_deg, e.origin_longitude_deg, e.origin_altitude_m = latitude, longitude, altitude
        self._plane = TangentPlane(latitude, longitude, altitude)
        self._level.reset(0.3, 0.1, 0.01, 0.001)

    def _remembered(self, tick: int) -> Remembered:
        memory = self._memory
        return memory[max(0, len(memory) - 1 - (memory[-1][0] - tick))]

    def _plausible(self, north_m: float, east_m: float) -> bool:
        """Refuses jumps; after a second or two of refusals the fixes are right and the belief is wrong."""
        allowed = _GATE_SIGMAS * sqrt(self._level.p00 + _POSITION_VARIANCE)
        if hypot(north_m, east_m) < allowed:
            self._rejected = 0
            return True
        self._rejected += 1
        if self._rejected > _REJECTED_FIXES_BEFORE_RESET:
            self._jump(north_m, east_m)
        return False

    def _jump(self, north_m: float, east_m: float) -> None:
        """Moves the belief, and what is remembered of it, to where GNSS says it is."""
        self.strapdown.north_m += north_m
        self.strapdown.east_m += east_m
        moved = [(tick, n + north_m, e + east_m, vn, ve, vd) for tick, n, e, vn, ve, vd in self._memory]
        self._memory = deque(moved, maxlen=_REMEMBERED_TICKS)
        self._rejected = 0
        self._events.texts.append((_SEVERITY_WARNING, "Position reset to GNSS"))

    def _correct_level(self, gain: tuple[float, float, float, float], north: float, east: float) -> None:
        k0, k1, k2, k3 = gain
        s = self.strapdown
        s.north_m += k0 * north
        s.east_m += k0 * east
        s.velocity_north_m_s += k1 * north
        s.velocity_east_m_s += k1 * east
        s.tilt(k2 * east, -k2 * north, 0.0)
        # The tilt of the north channel grows with its bias state: -d psi_east = bias_east, d psi_north = -bias_north.
        s.shift_bias(-k3 * east, k3 * north, 0.0)

    def _correct_height(self, down_m: float) -> None:
        s = self.strapdown
        innovation = down_m - s.down_m
        k0, k1, k2 = self._height.gain_position(_HEIGHT_VARIANCE)
        s.down_m += k0 * innovation
        s.velocity_down_m_s += k1 * innovation
        s.bias_down_m_s2 -= k2 * innovation

    def _correct_climb(self, innovation_m_s: float) -> None:
        s = self.strapdown
        k0, k1, k2 = self._height.gain_velocity(_VERTICAL_VELOCITY_VARIANCE)
        s.down_m += k0 * innovation_m_s
        s.velocity_down_m_s += k1 * innovation_m_s
        s.bias_down_m_s2 -= k2 * innovation_m_s

    def _correct_heading(self, magnetic_gauss: Vector) -> None:
        s = self.strapdown
        x, y, z = magnetic_gauss
        north, east = s.r11 * x + s.r12 * y + s.r13 * z, s.r21 * x + s.r22 * y + s.r23 * z
        innovation = wrap_angle(self._declination - atan2(east, north))
        k0, k1 = self._heading.gain(_HEADING_VARIANCE)
        s.tilt(0.0, 0.0, k0 * innovation)
        s.shift_bias(0.0, 0.0, -k1 * innovation)

    def _watch_gnss(self, tick: int) -> None:
        """Without fixes, a weak belief in standing still keeps the tilt bounded once position is given up."""
        if self._plane is None or tick - self._last_fix_tick < _SILENT_TICKS or self.estimate.position_valid:
            return
        if tick % 20 == 0:
            s = self.strapdown
            gain = self._level.gain_velocity(_STILLNESS_VARIANCE)
            self._correct_level(gain, -s.velocity_north_m_s, -s.velocity_east_m_s)

    def _publish(self) -> None:
        s, e = self.strapdown, self.estimate
        e.north_m, e.east_m, e.down_m = s.north_m, s.east_m, s.down_m
        e.velocity_north_m_s, e.velocity_east_m_s = s.velocity_north_m_s, s.velocity_east_m_s
        e.velocity_down_m_s = s.velocity_down_m_s
        e.roll_rad, e.pitch_rad, e.yaw_rad = euler_from_quaternion(s.q0, s.q1, s.q2, s.q3)
        e.roll_rate_rad_s, e.pitch_rate_rad_s, e.yaw_rate_rad_s = s.p, s.q, s.r
        if self._plane is None:
            return
        accuracy = sqrt(self._gnss_accuracy_m**2 + 2.0 * self._level.p00)
        e.horizontal_accuracy_m = accuracy
        e.vertical_accuracy_m = sqrt(self._gnss_vertical_m**2 + self._height.p00)
        limit = _INVALID_ABOVE_M if e.position_valid else _VALID_BELOW_M
        valid = accuracy < limit and self._fixes >= _VALID_AFTER_FIXES
        if e.position_valid and not valid:
            self._events.texts.append((_SEVERITY_WARNING, "Position lost"))
        elif valid and not e.position_valid:
            self._events.texts.append((_SEVERITY_INFO, "Position known"))
        e.position_valid = valid

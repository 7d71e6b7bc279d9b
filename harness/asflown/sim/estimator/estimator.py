"""The estimator: strapdown integration at 400 Hz, corrected at 25 Hz and by fixes through an error-state filter.

Barometer and magnetometer come at 50 Hz; two of their innovations are averaged. GNSS arrives late: its innovation is
taken against the remembered belief of the tick it is valid for, and its rows of the measurement matrix are those of
that tick. Height follows the barometer, and GNSS when the barometer is stuck or contradicts it for long. A
position feed from outside may stand in for GNSS, or help it.
"""

from __future__ import annotations

from collections import deque
from math import asin, atan2, hypot, inf, sqrt

from asflown.frames import TangentPlane, wrap_angle
from asflown.sim.atmosphere import normal_gravity_m_s2, pressure_height_m
from asflown.sim.estimator.alignment import Alignment
from asflown.sim.estimator.error_filter import ErrorFilter
from asflown.sim.estimator.noises import Noises
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.estimator.trust import Gate, Stuck
from asflown.sim.interface import CoreEvents, Estimate, PositionFeed
from asflown.sim.sensors.gnss import Fix
from asflown.sim.sensors.imu import Sample
from asflown.sim.sensors.magnetometer import FIELD_NED_GAUSS, Vector

PERIOD_S = 0.04
ALIGNMENT_TICKS = 100
_TICK_S = 0.01
_ORIGIN_FIXES = 6
_REMEMBERED_TICKS = 40
_VALID_AFTER_FIXES = 5
_VALID_BELOW_M, _INVALID_ABOVE_M = 2.5, 5.0
_SILENT_TICKS = 100
_FEED_TICKS = 50
_STILLNESS_VARIANCE = 3.0**2
_REFUSED = inf
"""Variance that makes a refused measurement count for nothing."""
_DISAGREEING_M, _DISAGREEMENT_S = 6.0, 10.0
"""Barometer and GNSS: how far apart, smoothed over how long, before the barometer is given up."""
_FIX_PERIOD_S = 0.2
_CLIPPED_VELOCITY_M2_S2, _CLIPPED_TILT_RAD2 = 0.05**2, 0.005**2

_SEVERITY_WARNING, _SEVERITY_INFO = 4, 6

Motion = tuple[float, float, float, float, float, float]
"""Position and velocity, north-east-down."""
Remembered = tuple[int, float, float, float, float, float, float]
"""Tick, then a motion without the corrections made so far."""


class Estimator:
    """Feeds `estimate`, in place. Calls in each 10 ms: four `propagate`, then what arrived, then `tick`."""

    def __init__(self, estimate: Estimate, events: CoreEvents, latitude_deg: float, noises: Noises) -> None:
        gravity = normal_gravity_m_s2(latitude_deg)
        self.estimate = estimate
        self.strapdown = Strapdown(gravity)
        self.filter = ErrorFilter(noises, PERIOD_S)
        self.aligned = False
        self.normalised_innovation = 0.0
        """Of the last fix: squared, five degrees of freedom."""
        self._noises, self._events = noises, events
        self._alignment = Alignment()
        self._declination = atan2(FIELD_NED_GAUSS[1], FIELD_NED_GAUSS[0])
        self._ground_height_m = 0.0
        self._plane: TangentPlane | None = None
        self._first_fixes: list[Fix] = []
        self._fixes = 0
        self._last_fix_tick = 0
        self._outer_accuracy_m = self._outer_vertical_m = 99.0
        self._memory: deque[Remembered] = deque(maxlen=_REMEMBERED_TICKS)
        self._corrected = [0.0] * 6
        self._last_velocity = (0.0, 0.0, 0.0)
        self._down_innovation = self._heading_innovation = 0.0
        self._field_count = 0
        self._position_gate, self._velocity_gate = Gate(10), Gate(10)
        self._height_gate, self._heading_gate = Gate(50), Gate(50)
        self._stuck_barometer, self._stuck_compass, self._stuck_receiver = Stuck(25), Stuck(25), Stuck(5)
        self._disagreement_m = 0.0
        self._height_by_gnss = False
        self._feed_offset: tuple[float, float, float] | None = None
        self._fed_tick = 0

    def propagate(self, sample: Sample) -> None:
        """2.5 ms of motion before alignment; afterwards `strapdown.propagate` does it."""
        if self.aligned:
            self.strapdown.propagate(sample)
        else:
            self._alignment.add_motion(sample)

    def tick(self, tick: int) -> None:
        """Ends 10 ms: remembers the belief, and publishes it."""
        if not self.aligned:
            return
        s, c = self.strapdown, self._corrected
        if self._plane is None:
            s.north_m = s.east_m = s.velocity_north_m_s = s.velocity_east_m_s = 0.0
        self._memory.append(
            (
                tick,
                s.north_m - c[0],
                s.east_m - c[1],
                s.down_m - c[2],
                s.velocity_north_m_s - c[3],
                s.velocity_east_m_s - c[4],
                s.velocity_down_m_s - c[5],
            )
        )
        self._watch_silence(tick)
        self._publish()

    def take_field(self, tick: int, magnetic_gauss: Vector, pressure_pa: float) -> None:
        """Takes in magnetometer and barometer, every 20 ms."""
        if not self.aligned:
            self._alignment.add_field(magnetic_gauss, pressure_pa)
            if tick >= ALIGNMENT_TICKS:
                self._finish_alignment()
            return
        self._watch_sensors(magnetic_gauss, pressure_pa)
        s = self.strapdown
        x, y, z = magnetic_gauss
        north, east = s.r11 * x + s.r12 * y + s.r13 * z, s.r21 * x + s.r22 * y + s.r23 * z
        heading = wrap_angle(self._declination - atan2(east, north))
        down = self._ground_height_m - pressure_height_m(pressure_pa) - s.down_m
        self._field_count += 1
        if self._field_count & 1:
            self._down_innovation, self._heading_innovation = down, heading
            return
        self._predict()
        self._correct_field(
            0.5 * (self._down_innovation + down),
            heading + 0.5 * wrap_angle(self._heading_innovation - heading),
        )
        self._correct()

    def take_fix(self, fix: Fix) -> None:
        """Takes in a position fix."""
        if not self.aligned:
            return
        place = fix.latitude_deg, fix.longitude_deg, fix.altitude_m
        if self._stuck_receiver.changed(place) and self._stuck_receiver.now:
            self._say(_SEVERITY_WARNING, "GNSS stuck: not used")
        if self._stuck_receiver.now:
            return
        self._last_fix_tick = fix.tick
        if self._plane is None:
            self._outer_accuracy_m, self._outer_vertical_m = (
                fix.horizontal_accuracy_m,
                fix.vertical_accuracy_m,
            )
            self._collect_origin(fix)
            return
        before = self._remembered(fix.tick)
        north, east, down = self._plane.to_ned(*place)
        known = self.estimate.origin_known
        if known:
            self._outer_accuracy_m, self._outer_vertical_m = (
                fix.horizontal_accuracy_m,
                fix.vertical_accuracy_m,
            )
            self._compare_heights(down - before[2])
        noises = self._noises
        v_north, v_east, v_down = fix.velocity_ned_m_s
        innovations = [north - before[0], east - before[1]]
        innovations += [v_north - before[3], v_east - before[4], v_down - before[5]]
        level, upright = noises.velocity_m2_s2, noises.vertical_velocity_m2_s2
        position = noises.position_m2 if known else _REFUSED
        age_s = (self._memory[-1][0] + 1 - fix.tick) * _TICK_S
        self._take_motion(innovations, [position, position, level, level, upright], age_s)
        if self._height_by_gnss and known:
            self.filter.measure_down(down - before[2], noises.altitude_m2)
            self._correct()

    def take_position(self, tick: int, feed: PositionFeed) -> None:
        """Takes in a position from outside, north-east-down; without GNSS its zero becomes the origin."""
        if not self.aligned:
            return
        s = self.strapdown
        here = feed.north_m, feed.east_m, feed.down_m
        if self._plane is None:
            self._begin_without_gnss(here)
        if self._feed_offset is None or feed.anew:
            self._feed_offset = s.north_m - here[0], s.east_m - here[1], s.down_m - here[2]
        self._last_fix_tick = self._fed_tick = tick
        self.estimate.position_fed = True
        if not self.estimate.origin_known:
            self._outer_accuracy_m = self._outer_vertical_m = feed.deviation_m
        offset, before = self._feed_offset, self._remembered(tick - round(feed.age_s / _TICK_S))
        innovations = [here[0] + offset[0] - before[0], here[1] + offset[1] - before[1], 0.0, 0.0, 0.0]
        variance = feed.deviation_m**2
        self._take_motion(innovations, [variance, variance, _REFUSED, _REFUSED, _REFUSED], feed.age_s)
        self.filter.measure_down(here[2] + offset[2] - before[2], variance)
        if feed.yaw_rad is not None:
            self.filter.measure_heading(
                wrap_angle(feed.yaw_rad - self.estimate.yaw_rad), feed.yaw_deviation_rad**2
            )
        self._correct()

    def set_origin(self, latitude_deg: float, longitude_deg: float, altitude_m: float) -> bool:
        """Says where the origin of a flight without GNSS is; False when GNSS has said so already."""
        if self.estimate.origin_known:
            return False
        self._name_origin(latitude_deg, longitude_deg, altitude_m, known=True)
        return True

    def clipped(self) -> None:
        """The IMU reached the end of its range: motion of these 10 ms is known less well."""
        covariance = self.filter.covariance
        for state in (3, 4, 5):
            covariance[state, state] += _CLIPPED_VELOCITY_M2_S2
            covariance[3 + state, 3 + state] += _CLIPPED_TILT_RAD2

    def _finish_alignment(self) -> None:
        found, s = self._alignment.result(), self.strapdown
        s.align(found.roll_rad, found.pitch_rad, found.magnetic_heading_rad + self._declination)
        s.bias_p, s.bias_q, s.bias_r = found.rate_bias_rad_s
        self._ground_height_m = pressure_height_m(found.pressure_pa)
        self.filter.align(s.turned(), s.gravity_m_s2)
        self.aligned = self.estimate.attitude_valid = self.estimate.height_valid = True

    def _collect_origin(self, fix: Fix) -> None:
        """The origin is the mean of the first fixes: the vehicle's own idea of home."""
        fixes = self._first_fixes
        fixes.append(fix)
        if len(fixes) < _ORIGIN_FIXES:
            return
        latitude = sum(f.latitude_deg for f in fixes) / len(fixes)
        longitude = sum(f.longitude_deg for f in fixes) / len(fixes)
        altitude = sum(f.altitude_m for f in fixes) / len(fixes)
        self._name_origin(latitude, longitude, altitude, known=True)
        self.filter.forget_position(self._noises.position_m2 / len(fixes))
        self._forget_velocity()

    def _begin_without_gnss(self, here: tuple[float, float, float]) -> None:
        self._name_origin(0.0, 0.0, 0.0, known=False)
        self.filter.forget_position(0.05**2)
        self._forget_velocity()
        s = self.strapdown
        s.north_m, s.east_m = here[0], here[1]
        self._feed_offset = 0.0, 0.0, s.down_m - here[2]

    def _forget_velocity(self) -> None:
        """Until now the craft was held to stand still; that it did is what is known."""
        covariance = self.filter.covariance
        covariance[3:5] = 0.0
        covariance[:, 3:5] = 0.0
        covariance[3, 3] = covariance[4, 4] = 0.02**2
        self.filter.take()

    def _name_origin(
        self, latitude_deg: float, longitude_deg: float, altitude_m: float, *, known: bool
    ) -> None:
        e = self.estimate
        e.origin_latitude_deg, e.origin_longitude_deg, e.origin_altitude_m = (
            latitude_deg,
            longitude_deg,
            altitude_m,
        )
        e.origin_known = known
        self._plane = TangentPlane(latitude_deg, longitude_deg, altitude_m)

    def _remembered(self, tick: int) -> Motion:
        """The motion as believed for a tick, with all that has been learnt since."""
        memory, c = self._memory, self._corrected
        then = memory[max(0, len(memory) - 1 - max(0, memory[-1][0] - tick))]
        _, north, east, down, v_north, v_east, v_down = then
        return (
            north + c[0], east + c[1], down + c[2], v_north + c[3], v_east + c[4], v_down + c[5],
        )  # fmt: skip

    def _predict(self) -> None:
        s = self.strapdown
        north, east, down = self._last_velocity
        rate = 1.0 / PERIOD_S
        force = (
            rate * (s.velocity_north_m_s - north),
            rate * (s.velocity_east_m_s - east),
            rate * (s.velocity_down_m_s - down) - s.gravity_m_s2,
        )
        self.filter.predict(force, s.turned())
        self._last_velocity = s.velocity_north_m_s, s.velocity_east_m_s, s.velocity_down_m_s

    def _correct(self) -> None:
        """Hands the filter's correction to the belief; what is remembered of motion stays comparable."""
        errors = self.filter.take()
        self.strapdown.correct(errors)
        north, east, down, v_north, v_east, v_down = self._corrected
        e = errors
        self._corrected = [
            north + e[0], east + e[1], down + e[2], v_north + e[3], v_east + e[4], v_down + e[5],
        ]  # fmt: skip
        north, east, down = self._last_velocity
        self._last_velocity = north + errors[3], east + errors[4], down + errors[5]

    def _correct_field(self, down_m: float, heading_rad: float) -> None:
        """Height and heading, each through its gate; two readings have been averaged."""
        e, noises, known = self.estimate, self._noises, self.filter
        down_m2, heading_rad2 = 0.5 * noises.height_m2, 0.5 * noises.heading_rad2
        if self._height_by_gnss:
            down_m2 = _REFUSED
        else:
            if not self._height_gate.passes(down_m * down_m, known.variance(2) + down_m2):
                down_m2 = _REFUSED
            e.height_test_ratio = self._height_gate.ratio
        if self._stuck_compass.now:
            heading_rad2 = _REFUSED
        else:
            expected = known.variance(8) + noises.heading_rad2
            if not self._heading_gate.passes(heading_rad * heading_rad, expected):
                heading_rad2 = _REFUSED
            e.heading_test_ratio = self._heading_gate.ratio
        known.measure_field(down_m, down_m2, heading_rad, heading_rad2)

    def _take_motion(self, innovations: list[float], variances: list[float], age_s: float) -> None:
        """North, east and three velocities at once, each part through its gate."""
        e, believed = self.estimate, self.filter.expect_motion(age_s)
        north, east, v_north, v_east, v_down = innovations
        level, level_speed, upright_speed = variances[0], variances[2], variances[4]
        if level < _REFUSED:
            if not self._position_gate.passes(north * north + east * east, believed[0] + level):
                level = _REFUSED
            else:
                self._fixes += 1
                if self._position_gate.tired:
                    self._jump(north, east)
                    north = east = 0.0
            e.position_test_ratio = self._position_gate.ratio
        if level_speed < _REFUSED:
            mean = v_north * v_north / (believed[2] + level_speed) + v_east * v_east / (
                believed[3] + level_speed
            )
            mean = (mean + v_down * v_down / (believed[4] + upright_speed)) / 3.0
            if not self._velocity_gate.passes(mean, 1.0):
                level_speed = upright_speed = _REFUSED
            e.velocity_test_ratio = self._velocity_gate.ratio
        self.normalised_innovation = self.filter.measure_motion(
            [north, east, v_north, v_east, v_down], [level, level, level_speed, level_speed, upright_speed]
        )
        self._correct()

    def _jump(self, north_m: float, east_m: float) -> None:
        """Moves the belief, and what is remembered of it, to where the fixes say it is."""
        self.strapdown.north_m += north_m
        self.strapdown.east_m += east_m
        self._corrected[0] += north_m
        self._corrected[1] += east_m
        self._say(_SEVERITY_WARNING, "Position reset to GNSS")

    def _watch_sensors(self, magnetic_gauss: Vector, pressure_pa: float) -> None:
        """Gives up sensors that show no noise any more."""
        if self._stuck_barometer.changed(pressure_pa):
            self._choose_height(self._stuck_barometer.now, "Barometer stuck")
        if self._stuck_compass.changed(magnetic_gauss):
            stuck = self._stuck_compass.now
            self.estimate.heading_valid = not stuck
            text = "Compass stuck: heading by gyro" if stuck else "Compass in use again"
            self._say(_SEVERITY_WARNING if stuck else _SEVERITY_INFO, text)

    def _compare_heights(self, down_m: float) -> None:
        """The smoothed disagreement of GNSS altitude with the belief; changes the source of height when it lasts."""
        share = _FIX_PERIOD_S / _DISAGREEMENT_S
        self._disagreement_m += share * (down_m - self._disagreement_m)
        if not self._height_by_gnss and abs(self._disagreement_m) > _DISAGREEING_M:
            self._choose_height(True, "Barometer contradicts GNSS")

    def _choose_height(self, by_gnss: bool, why: str) -> None:
        if by_gnss is self._height_by_gnss:
            return
        self._height_by_gnss = by_gnss
        if by_gnss:
            self.filter.covariance[2, 2] += self._noises.altitude_m2
            self._say(_SEVERITY_WARNING, f"{why}: height by GNSS")
        else:
            self.filter.covariance[2, 2] += 1.0
            self._disagreement_m = 0.0
            self._say(_SEVERITY_INFO, "Height by barometer again")

    def _watch_silence(self, tick: int) -> None:
        """Without fixes, a weak belief in standing still keeps the tilt bounded once position is given up."""
        if tick - self._fed_tick > _FEED_TICKS:
            self.estimate.position_fed = False
        if self._plane is None or tick - self._last_fix_tick < _SILENT_TICKS or self.estimate.position_valid:
            return
        if tick % 20 == 0:
            s, still = self.strapdown, _STILLNESS_VARIANCE
            self.filter.expect_motion(0.0)
            self.filter.measure_motion(
                [0.0, 0.0, -s.velocity_north_m_s, -s.velocity_east_m_s, 0.0],
                [_REFUSED, _REFUSED, still, still, _REFUSED],
            )
            self._correct()

    def _publish(self) -> None:
        s, e = self.strapdown, self.estimate
        e.north_m, e.east_m, e.down_m = s.north_m, s.east_m, s.down_m
        e.velocity_north_m_s, e.velocity_east_m_s = s.velocity_north_m_s, s.velocity_east_m_s
        e.velocity_down_m_s = s.velocity_down_m_s
        e.roll_rad, e.yaw_rad = atan2(s.r32, s.r33), atan2(s.r21, s.r11)
        upwards = -s.r31
        e.pitch_rad = asin(upwards if -1.0 < upwards < 1.0 else min(1.0, max(-1.0, upwards)))
        e.roll_rate_rad_s, e.pitch_rate_rad_s, e.yaw_rate_rad_s = s.p, s.q, s.r
        if self._plane is not None and self._field_count & 1 == 0:
            self._state_accuracy()

    def _state_accuracy(self) -> None:
        """How well position is known: what the outer source says of itself, and what the filter adds."""
        known, e, outer = self.filter, self.estimate, self._outer_accuracy_m
        accuracy = sqrt(outer * outer + max(0.0, known.variance(0) + known.variance(1)))
        e.horizontal_accuracy_m = accuracy
        e.vertical_accuracy_m = hypot(self._outer_vertical_m, known.deviation(2))
        e.velocity_accuracy_m_s = known.deviation(3)
        limit = _INVALID_ABOVE_M if e.position_valid else _VALID_BELOW_M
        valid = accuracy < limit and self._fixes >= _VALID_AFTER_FIXES
        if e.position_valid and not valid:
            self._say(_SEVERITY_WARNING, "Position lost")
        elif valid and not e.position_valid:
            self._say(_SEVERITY_INFO, "Position known")
        e.position_valid = valid

    def _say(self, severity: int, text: str) -> None:
        self._events.texts.append((severity, text))

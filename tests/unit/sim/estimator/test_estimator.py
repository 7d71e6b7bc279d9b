"""The estimator on made-up sensors: errors that it can see go away, with the signs that nature has."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.frames import TangentPlane
from asflown.sim.airframe import PALM80
from asflown.sim.atmosphere import normal_gravity_m_s2, pressure_pa
from asflown.sim.estimator.alignment import Alignment
from asflown.sim.estimator.estimator import Estimator
from asflown.sim.estimator.noises import noises_of
from asflown.sim.interface import CoreEvents, Estimate, PositionFeed
from asflown.sim.sensors.gnss import Fix
from asflown.sim.sensors.magnetometer import FIELD_NED_GAUSS

LATITUDE_DEG, LONGITUDE_DEG = 52.0, 4.5
GRAVITY = normal_gravity_m_s2(LATITUDE_DEG)


class Bench:
    """An estimator that lies level on a bench, with perfect sensors but for what a test adds."""

    def __init__(self) -> None:
        self.estimate, self.events = Estimate(), CoreEvents()
        self.estimator = Estimator(self.estimate, self.events, LATITUDE_DEG, noises_of(PALM80))
        self.rate = [0.0, 0.0, 0.0]
        self.shift_m = (0.0, 0.0)
        self.fixes = True
        self.feed: PositionFeed | None = None
        self.pressure_shift_pa = 0.0
        self.frozen_pa: float | None = None
        self._plane = TangentPlane(LATITUDE_DEG, LONGITUDE_DEG, 0.0)
        self._tick = 0

    def run(self, seconds: float) -> Estimate:
        """Lets time pass."""
        for _ in range(round(seconds * 100)):
            self._tick += 1
            for _ in range(4):
                self.estimator.propagate((self.rate[0], self.rate[1], self.rate[2], 0.0, 0.0, -GRAVITY))
            alive = 1e-9 * (self._tick // 2 % 2)  # a sensor that never changes would count as stuck
            if self._tick % 2 == 0:
                north, east, down = FIELD_NED_GAUSS
                pressure = self.frozen_pa or pressure_pa(0.0) + self.pressure_shift_pa + alive
                self.estimator.take_field(self._tick, (north, east, down + alive), pressure)
            self.estimator.tick(self._tick)
            if self._tick % 20 == 0 and self.fixes:
                where = self._plane.to_geodetic(*self.shift_m, 1e-6 * (self._tick // 20 % 2))
                self.estimator.take_fix(Fix(self._tick, *where, (0.0, 0.0, 0.0), 0.7, 0.9))
            if self.feed is not None and self._tick % 5 == 0:
                self.estimator.take_position(self._tick, self.feed)
        return self.estimate


def settled() -> Bench:
    """A bench whose estimator knows its position."""
    bench = Bench()
    bench.run(5.0)
    assert bench.estimate.position_valid
    return bench


def test_perfect_sensors_give_a_still_estimate() -> None:
    """Without any error nothing moves, and the origin is where the fixes are."""
    e = settled().run(10.0)
    assert (e.north_m, e.east_m, e.down_m) == pytest.approx((0.0, 0.0, 0.0), abs=1e-3)
    assert (e.roll_rad, e.pitch_rad, e.yaw_rad) == pytest.approx((0.0, 0.0, 0.0), abs=1e-4)
    assert e.origin_latitude_deg == pytest.approx(LATITUDE_DEG, abs=1e-9)


@pytest.mark.parametrize("axis", [0, 1, 2], ids=["roll", "pitch", "yaw"])
def test_a_gyro_bias_is_found(axis: int) -> None:
    """A bias that appears after alignment is seen through velocity or compass, and taken out."""
    bench = settled()
    bench.rate[axis] = 0.003
    bench.run(120.0)
    s = bench.estimator.strapdown
    assert (s.bias_p, s.bias_q, s.bias_r)[axis] == pytest.approx(0.003, abs=0.0012)
    e = bench.estimate
    assert (e.roll_rad, e.pitch_rad, e.yaw_rad) == pytest.approx((0.0, 0.0, 0.0), abs=0.01)


@pytest.mark.parametrize(("about_north", "about_east"), [(0.03, 0.0), (0.0, -0.03)])
def test_a_wrong_tilt_is_corrected(about_north: float, about_east: float) -> None:
    """A tilt error accelerates the estimate sideways; fixes show that, and the tilt goes."""
    bench = settled()
    bench.estimator.strapdown.tilt(about_north, about_east, 0.0)
    e = bench.run(60.0)
    assert (e.roll_rad, e.pitch_rad) == pytest.approx((0.0, 0.0), abs=0.004)


def test_a_wrong_heading_is_corrected() -> None:
    """The compass brings the heading back within seconds."""
    bench = settled()
    bench.estimator.strapdown.tilt(0.0, 0.0, 0.3)
    assert bench.run(0.1).yaw_rad > 0.25
    assert bench.run(20.0).yaw_rad == pytest.approx(0.0, abs=0.04)


def test_a_jump_of_the_fixes_is_first_refused_then_believed() -> None:
    """One second after a jump of 50 m the estimate has not moved; after five it has, and says so."""
    bench = settled()
    bench.shift_m = (50.0, 0.0)
    assert bench.run(1.0).north_m == pytest.approx(0.0, abs=0.5)
    assert bench.run(4.0).north_m == pytest.approx(50.0, abs=1.0)
    assert [text for _, text in bench.events.texts] == ["Position known", "Position reset to GNSS"]


def test_without_fixes_the_position_becomes_invalid_once() -> None:
    """Stated accuracy grows until the position is given up; the tilt stays sound."""
    bench = settled()
    bench.fixes = False
    e = bench.run(120.0)
    assert not e.position_valid
    assert e.horizontal_accuracy_m > 5.0
    assert (e.roll_rad, e.pitch_rad) == pytest.approx((0.0, 0.0), abs=0.01)
    assert [text for _, text in bench.events.texts] == ["Position known", "Position lost"]


def test_a_feed_from_outside_stands_in_for_satellites() -> None:
    """Without any fix the position becomes valid, is the feed's, and means nothing on the globe until it is named."""
    bench = Bench()
    bench.fixes, bench.feed = False, PositionFeed(2.0, -1.0, 0.0)
    e = bench.run(4.0)
    assert e.position_valid
    assert (e.north_m, e.east_m, e.down_m) == pytest.approx((2.0, -1.0, 0.0), abs=0.02)
    assert e.horizontal_accuracy_m < 0.2
    assert not e.origin_known
    assert bench.estimator.set_origin(52.0, 4.5, 3.0)
    assert (e.origin_known, e.origin_latitude_deg) == (True, 52.0)


def test_satellites_name_the_origin_once() -> None:
    """Where fixes have said where the origin is, nobody else can."""
    assert not settled().estimator.set_origin(1.0, 2.0, 3.0)


def test_a_feed_carries_the_position_when_fixes_end() -> None:
    """Fixes stop, the feed goes on: the position stays valid for good."""
    bench = settled()
    bench.feed = PositionFeed(10.0, 10.0, 0.0)
    bench.run(2.0)
    bench.fixes = False
    e = bench.run(60.0)
    assert e.position_valid
    assert (e.north_m, e.east_m) == pytest.approx((0.0, 0.0), abs=0.1)


def test_a_barometer_that_contradicts_the_satellites_is_given_up() -> None:
    """Pressure falls by 20 m's worth for good: after a while height comes from GNSS, and is right again."""
    bench = settled()
    for step in range(60):
        bench.pressure_shift_pa = -4.0 * step
        bench.run(1.0)
    e = bench.run(60.0)
    assert e.down_m == pytest.approx(0.0, abs=1.0)
    assert "Barometer contradicts GNSS: height by GNSS" in [text for _, text in bench.events.texts]


def test_a_stuck_barometer_is_noticed() -> None:
    """A pressure without any noise is no measurement; when it lives again it is used again."""
    bench = settled()
    bench.frozen_pa = pressure_pa(0.0)
    bench.run(2.0)
    bench.frozen_pa = None
    bench.run(2.0)
    assert [text for _, text in bench.events.texts][1:] == [
        "Barometer stuck: height by GNSS",
        "Height by barometer again",
    ]


@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.floats(-3.1, 3.1))
def test_alignment_finds_attitude_and_biases(roll: float, pitch: float, yaw: float) -> None:
    """Gravity and field, measured at rest in any moderate attitude, give that attitude back."""
    from scipy.spatial.transform import Rotation

    to_body = Rotation.from_euler("ZYX", [yaw, pitch, roll]).inv()
    force, field = to_body.apply([0.0, 0.0, -9.81]), to_body.apply([0.2, 0.0, 0.45])
    alignment = Alignment()
    for _ in range(3):
        alignment.add_motion((0.01, -0.02, 0.03, *force.tolist()))
        alignment.add_field((field[0], field[1], field[2]), 101_000.0)
    found = alignment.result()
    angles = (found.roll_rad, found.pitch_rad, found.magnetic_heading_rad)
    assert angles == pytest.approx((roll, pitch, yaw), abs=1e-9)
    assert found.rate_bias_rad_s == pytest.approx((0.01, -0.02, 0.03))
    assert found.pressure_pa == pytest.approx(101_000.0)

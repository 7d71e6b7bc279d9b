"""The estimator on made-up sensors: errors that it can see go away, with the signs that nature has."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.frames import TangentPlane
from asflown.sim.atmosphere import normal_gravity_m_s2, pressure_pa
from asflown.sim.estimator.alignment import Alignment
from asflown.sim.estimator.estimator import Estimator
from asflown.sim.interface import CoreEvents, Estimate
from asflown.sim.sensors.gnss import Fix
from asflown.sim.sensors.magnetometer import FIELD_NED_GAUSS

LATITUDE_DEG, LONGITUDE_DEG = 52.0, 4.5
GRAVITY = normal_gravity_m_s2(LATITUDE_DEG)


class Bench:
    """An estimator that lies level on a bench, with perfect sensors but for what a test adds."""

    def __init__(self) -> None:
        self.estimate, self.events = Estimate(), CoreEvents()
        self.estimator = Estimator(self.estimate, self.events, LATITUDE_DEG)
        self.rate = [0.0, 0.0, 0.0]
        self.shift_m = (0.0, 0.0)
        self.fixes = True
        self._plane = TangentPlane(LATITUDE_DEG, LONGITUDE_DEG, 0.0)
        self._tick = 0

    def run(self, seconds: float) -> Estimate:
        """Lets time pass."""
        for _ in range(round(seconds * 100)):
            self._tick += 1
            for _ in range(4):
                self.estimator.propagate((self.rate[0], self.rate[1], self.rate[2], 0.0, 0.0, -GRAVITY))
            if self._tick % 2 == 0:
                self.estimator.take_field(self._tick, FIELD_NED_GAUSS, pressure_pa(0.0))
            self.estimator.tick(self._tick)
            if self._tick % 20 == 0 and self.fixes:
                where = self._plane.to_geodetic(*self.shift_m, 0.0)
                self.estimator.take_fix(Fix(self._tick, *where, (0.0, 0.0, 0.0), 0.7, 0.9))
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

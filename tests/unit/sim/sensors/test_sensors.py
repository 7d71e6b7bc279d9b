"""Sensors: noise of the stated size about the truth, nothing at all where nothing is measured."""

from __future__ import annotations

from math import atan2, radians

import numpy as np
import pytest

from asflown.sim.airframe import PALM80
from asflown.sim.plant import STATE_NODES
from asflown.sim.seeds import generator
from asflown.sim.sensors.barometer import FAULT_M_S, Barometer
from asflown.sim.sensors.gnss import Fix, Gnss
from asflown.sim.sensors.imu import MOST_M_S2, MOST_RAD_S, Imu
from asflown.sim.sensors.magnetometer import FIELD_NED_GAUSS, Magnetometer

PLACE = (52.0, 4.5, 10.0)


def samples(throttle: float) -> np.ndarray:
    """Two thousand IMU samples of a state at rest in which only the axes differ."""
    state = [0.0] * len(STATE_NODES)
    state[9:15] = [0.1, 0.2, 0.3, 1.0, 2.0, -32.2]
    imu = Imu(PALM80.imu, generator(1, "imu"))
    imu.begin_tick(throttle)
    return np.array([imu.sample(state) for _ in range(2000)])


def test_imu_shows_rates_and_specific_force_with_its_noise() -> None:
    """Means are the state's within the biases, feet made metres; deviations are the sheet's."""
    measured = samples(throttle=0.0)
    assert measured.mean(axis=0) == pytest.approx([0.1, 0.2, 0.3, 0.305, 0.61, -9.815], abs=0.2)
    assert measured[:, :3].std(axis=0) == pytest.approx([0.006] * 3, rel=0.1)
    assert measured[:, 3:].std(axis=0) == pytest.approx([0.12] * 3, rel=0.1)


def test_vibration_grows_with_throttle() -> None:
    """At full throttle noise is the sheet's noise and vibration together, and the biases stay."""
    quiet, loud = samples(0.0), samples(1.0)
    assert loud[:, 3:].std(axis=0) == pytest.approx([0.12 + 1.5] * 3, rel=0.1)
    assert loud.mean(axis=0) == pytest.approx(quiet.mean(axis=0), abs=0.15)


def test_imu_clips_at_full_scale() -> None:
    """What a violent impact does to the plant never leaves the sensor's range, one axis at a time."""
    state = [0.0] * len(STATE_NODES)
    state[9:15] = [1e9, -1e9, 0.0, 0.0, 1e30, -1e30]
    p, q, r, x, y, z = Imu(PALM80.imu, generator(1, "imu")).sample(state)
    assert (p, q, y, z) == (MOST_RAD_S, -MOST_RAD_S, MOST_M_S2, -MOST_M_S2)
    assert abs(r) < 0.1
    assert abs(x) < 1.0


def test_barometer_drifts_only_while_the_fault_lasts() -> None:
    """Ten seconds of fault add 1 m of pressure (12 Pa); after ten more it has gone again."""
    barometer, healthy = (Barometer(PALM80.barometer, generator(2, "barometer")) for _ in range(2))
    errors = []
    for drifting in (True, False):
        barometer.drifting = float(drifting)
        steps = [barometer.sample_pa(101_325.0) - healthy.sample_pa(101_325.0) for _ in range(500)]
        errors.append(steps[-1])
    assert errors == pytest.approx([12.01 * 10.0 * FAULT_M_S, 0.0], abs=0.3)


@pytest.mark.parametrize("attitude_deg", [(0, 0, 0), (0, 0, 90), (20, -15, 200), (-30, 25, -45)])
def test_magnetometer_sees_the_field_in_body_axes(attitude_deg: tuple[float, float, float]) -> None:
    """Turned back by the attitude, the measured field is the fixed one, but for offset and noise."""
    from scipy.spatial.transform import Rotation

    roll, pitch, yaw = (radians(angle) for angle in attitude_deg)
    body = Magnetometer(PALM80.compass, generator(1, "magnetometer")).sample_gauss(roll, pitch, yaw)
    back = Rotation.from_euler("ZYX", [yaw, pitch, roll]).apply(body)
    assert back.tolist() == pytest.approx(FIELD_NED_GAUSS, abs=0.03)


def test_a_compass_fault_turns_the_field() -> None:
    """With the fault the heading that the field shows is less by the fault's angle."""
    magnetometer = Magnetometer(PALM80.compass, generator(1, "magnetometer"))
    magnetometer.fault_rad = 0.4
    x, y, _ = magnetometer.sample_gauss(0.0, 0.0, 1.0)
    declination = atan2(FIELD_NED_GAUSS[1], FIELD_NED_GAUSS[0])
    assert declination - atan2(y, x) == pytest.approx(0.6, abs=0.06)


def fixes(lost: range = range(0)) -> list[tuple[int, Fix]]:
    """Ticks and fixes of twenty seconds at one place, with ticks of loss."""
    gnss, got = Gnss(PALM80.gnss, generator(1, "gnss")), []
    for tick in range(1, 2001):
        gnss.lost = tick in lost
        if gnss.sample_due(tick):
            gnss.sample(tick, PLACE, (1.0, 2.0, 3.0))
        fix = gnss.delivered(tick)
        if fix is not None:
            got.append((tick, fix))
    return got


def test_fixes_come_late_and_say_so() -> None:
    """Five a second from 0.6 s on, each stamped with the tick it is valid for, 140 ms before."""
    got = fixes()
    assert [tick - fix.tick for tick, fix in got] == [14] * len(got)
    assert [fix.tick for _, fix in got[:3]] == [60, 80, 100]


def test_fixes_lie_near_the_place() -> None:
    """Errors are metres, not degrees and not nothing; the speed is nearly right."""
    for _, fix in fixes():
        assert 0.0 < abs(fix.latitude_deg - PLACE[0]) < 3e-5
        assert 0.0 < abs(fix.longitude_deg - PLACE[1]) < 5e-5
        assert fix.altitude_m == pytest.approx(PLACE[2], abs=4.0)
        assert fix.velocity_ned_m_s == pytest.approx((1.0, 2.0, 3.0), abs=0.4)


def test_no_fix_arrives_while_satellites_are_lost() -> None:
    """Not even one that was under way; before and after, the fixes are what they were without the loss."""
    whole, broken = fixes(), fixes(lost=range(500, 1000))
    missing = [fix.tick for _, fix in whole if fix not in [other for _, other in broken]]
    assert missing == list(range(500, 1000, 20))

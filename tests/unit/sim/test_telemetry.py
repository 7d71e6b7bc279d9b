"""Telemetry: default rates, rates asked for, and what the numbers mean."""

from __future__ import annotations

import math

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.sim.identity import ModeName
from tests.unit.sim.rig import EPOCH_US, POSITION_ONLY, Rig

RATES_HZ = {
    "HEARTBEAT": 1.0,
    "ATTITUDE": 10.0,
    "LOCAL_POSITION_NED": 10.0,
    "GLOBAL_POSITION_INT": 5.0,
    "VFR_HUD": 2.0,
    "SYS_STATUS": 1.0,
    "GPS_RAW_INT": 2.0,
    "BATTERY_STATUS": 0.5,
    "EXTENDED_SYS_STATE": 2.0,
    "CURRENT_MODE": 0.5,
    "HOME_POSITION": 0.2,
    "SYSTEM_TIME": 1.0,
    "ESTIMATOR_STATUS": 1.0,
}
STREAM_ALL = 0


@pytest.fixture(scope="module")
def quiet() -> Rig:
    """A craft that stood for twenty seconds."""
    rig = Rig()
    rig.run(20.0)
    return rig


@pytest.mark.parametrize(("name", "rate_hz"), RATES_HZ.items(), ids=RATES_HZ)
def test_default_rates(quiet: Rig, name: str, rate_hz: float) -> None:
    """Counted over twenty seconds."""
    assert len(quiet.of_type(name)) == pytest.approx(20 * rate_hz, abs=1)


def test_nothing_else_is_sent_unasked(quiet: Rig) -> None:
    """The list above is complete."""
    assert {message.get_type() for message in quiet.heard} == set(RATES_HZ)


def test_streams_are_spread_over_time() -> None:
    """No tick carries more than a handful of frames."""
    rig = Rig()
    fullest = 0
    for _ in range(1000):
        before = len(rig.frames)
        rig.run(0.01)
        fullest = max(fullest, len(rig.frames) - before)
    assert fullest <= 4


def test_an_interval_can_be_set_ended_and_set_back() -> None:
    """SET_MESSAGE_INTERVAL: 20 ms, -1, 0."""
    rig = Rig()
    assert rig.command(511, mav.MAVLINK_MSG_ID_ATTITUDE, 20_000) == 0
    counts = []
    for interval_us in (-1, 0, 1):
        before = len(rig.of_type("ATTITUDE"))
        rig.run(2.0)
        counts.append(len(rig.of_type("ATTITUDE")) - before)
        rig.command(511, mav.MAVLINK_MSG_ID_ATTITUDE, interval_us)
    assert counts == [pytest.approx(100, abs=1), 0, pytest.approx(20, abs=1)]


@pytest.mark.parametrize(
    ("message_id", "set_us", "reported_us"),
    [
        (30, None, 100_000),
        (30, 25_000.0, 20_000),
        (30, 1.0, 10_000),
        (30, -1.0, -1),
        (26, None, -1),
        (77, None, 0),
    ],
    ids=["default", "to whole ticks", "no faster than ticks", "ended", "on request only", "unknown"],
)
def test_intervals_are_reported_as_they_are(message_id: int, set_us: float | None, reported_us: int) -> None:
    """MESSAGE_INTERVAL by either command; ticks are 10 ms."""
    rig = Rig()
    if set_us is not None:
        rig.command(511, message_id, set_us)
    rig.command(510, message_id)
    rig.command(512, mav.MAVLINK_MSG_ID_MESSAGE_INTERVAL, message_id)
    reports = [(m.message_id, m.interval_us) for m in rig.of_type("MESSAGE_INTERVAL")]
    assert reports == [(message_id, reported_us)] * 2


def test_the_old_data_streams_set_all_messages_of_a_group() -> None:
    """REQUEST_DATA_STREAM at 4 Hz; heartbeats go on as they were; stop ends them."""
    rig = Rig()
    rig.send(mav.MAVLink_request_data_stream_message(1, 1, STREAM_ALL, 4, 1))
    rig.run(5.0)
    counts = {name: len(rig.of_type(name)) for name in ("ATTITUDE", "VFR_HUD", "SCALED_IMU", "HEARTBEAT")}
    assert counts == {"ATTITUDE": 20, "VFR_HUD": 20, "SCALED_IMU": 20, "HEARTBEAT": 5}
    rig.ask(mav.MAVLink_request_data_stream_message(1, 1, STREAM_ALL, 0, 0))
    before = len(rig.heard)
    rig.run(2.0)
    assert {m.get_type() for m in rig.heard[before:]} <= {"HEARTBEAT", "CURRENT_MODE", "HOME_POSITION"}


def test_the_same_moment_reads_alike_in_every_message() -> None:
    """Local and global position, height above home and above the sea, course and heading, 3 m above the sea."""
    rig = Rig()
    rig.fly_in(ModeName.SET_POINTS)
    rig.set_point(1, POSITION_ONLY, (30, -40, -12), yaw=0)
    rig.run(40.0)
    rig.command(mav.MAV_CMD_CONDITION_YAW, 90, 0, 0, 0)
    rig.run(6.0)
    local, everywhere = rig.of_type("LOCAL_POSITION_NED")[-1], rig.of_type("GLOBAL_POSITION_INT")[-1]
    plane = rig.craft.autopilot.situation.plane()
    placed = plane.to_ned(everywhere.lat / 1e7, everywhere.lon / 1e7, everywhere.alt / 1e3)
    assert placed == pytest.approx((local.x, local.y, local.z), abs=0.02)
    assert everywhere.relative_alt / 1e3 == pytest.approx(12.0, abs=0.01)
    assert everywhere.hdg == 9000
    hud = rig.of_type("VFR_HUD")[-1]
    assert (hud.heading, hud.alt) == (90, pytest.approx(15.0, abs=0.01))
    assert rig.of_type("ATTITUDE")[-1].yaw == pytest.approx(math.pi / 2, abs=1e-3)


def test_times_agree() -> None:
    """Milliseconds since power-up, and Unix time beside it."""
    rig = Rig()
    rig.craft.power_up(0)
    rig.run(3.0)
    stamp = rig.of_type("SYSTEM_TIME")[-1]
    assert stamp.time_unix_usec - EPOCH_US == stamp.time_boot_ms * 1000


def test_landed_states_of_a_flight() -> None:
    """On the ground, take-off, in the air, landing, on the ground."""
    rig = Rig()
    rig.run(1.0)
    rig.fly_in(ModeName.POSITION_HOLD, 4.0)
    rig.command(mav.MAV_CMD_NAV_LAND)
    rig.run_until(lambda: not rig.armed())
    rig.run(1.0)
    states = [message.landed_state for message in rig.of_type("EXTENDED_SYS_STATE")]
    changes = [new for old, new in zip([None, *states], states, strict=False) if new != old]
    assert changes == [1, 3, 2, 4, 1]


def test_sensor_bits_follow_what_is_wrong() -> None:
    """No fix, no position, low battery: three bits, and the pre-arm bit with them."""
    rig = Rig()
    rig.core.readings.gnss_fix, rig.core.readings.battery_remaining = 1, 0.1
    rig.core.estimate.position_valid = False
    rig.run(1.0)
    status = rig.of_type("SYS_STATUS")[-1]
    ailing = status.onboard_control_sensors_present & ~status.onboard_control_sensors_health
    assert ailing == (
        mav.MAV_SYS_STATUS_SENSOR_GPS
        | mav.MAV_SYS_STATUS_AHRS
        | mav.MAV_SYS_STATUS_SENSOR_BATTERY
        | mav.MAV_SYS_STATUS_PREARM_CHECK
    )


def test_wild_estimates_break_no_message() -> None:
    """Values far outside a field are clamped into it."""
    rig = Rig()
    rig.core.estimate.velocity_north_m_s = 1e9
    rig.core.estimate.down_m = -1e8
    rig.core.readings.battery_voltage_v = 1e9
    rig.core.readings.gnss_horizontal_accuracy_m = 1e12
    rig.run(2.0)
    assert rig.of_type("GLOBAL_POSITION_INT")[-1].vx == 0x7FFF


def test_the_reports_of_sensors_have_their_units() -> None:
    """One g is 1000 milli-g, one gauss 1000 milli-gauss, one atmosphere 1013.25 hPa."""
    rig = Rig()
    rig.core.readings.acceleration_frd_m_s2 = (0.0, 0.0, -9.80665)
    rig.core.readings.magnetic_frd_gauss = (0.2, 0.0, 0.44)
    for message_id in (mav.MAVLINK_MSG_ID_SCALED_IMU, mav.MAVLINK_MSG_ID_SCALED_PRESSURE):
        rig.command(512, message_id)
    imu, pressure = rig.of_type("SCALED_IMU")[0], rig.of_type("SCALED_PRESSURE")[0]
    assert (imu.zacc, imu.xmag, imu.zmag) == (-1000, 200, 440)
    assert pressure.press_abs == pytest.approx(1013.25)

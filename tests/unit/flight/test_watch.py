"""What the conductor knows of the vehicle, from frames that pymavlink packed."""

from __future__ import annotations

from typing import Any

import pytest
from pymavlink.dialects.v20 import common

from asflown.flight.watch import VehicleWatch

MAVLINK = common.MAVLink(None, 3, 1)


def see(watch: VehicleWatch, message: Any, now_us: int = 0, *, version_1: bool = False) -> None:
    """Lets `watch` see a message as the vehicle would send it."""
    watch.frame(now_us, bytes(message.pack(MAVLINK, force_mavlink1=version_1)))


@pytest.mark.parametrize("version_1", [False, True], ids=["MAVLink 2", "MAVLink 1"])
def test_heartbeat_tells_who_it_is_and_whether_it_is_armed(version_1: bool) -> None:
    """The armed flag, the system and the time are taken from an autopilot's heartbeat in either version."""
    watch = VehicleWatch()
    see(watch, MAVLINK.heartbeat_encode(2, 0, 0x81, 5, 4), 77, version_1=version_1)
    seen = watch.seen
    assert (seen.heartbeat_us, seen.system, seen.component, seen.armed) == (77, 3, 1, True)


def test_heartbeats_of_others_do_not_count() -> None:
    """A ground program's heartbeat (autopilot INVALID) is not the vehicle's."""
    watch = VehicleWatch()
    see(watch, MAVLINK.heartbeat_encode(6, 8, 0x81, 0, 4), 77)
    assert (watch.seen.heartbeat_us, watch.seen.armed) == (None, False)


def test_height_and_distance_count_from_where_it_armed() -> None:
    """The estimate's position at arming is the start; zero bytes that were cut off come back."""
    watch = VehicleWatch()
    see(watch, MAVLINK.local_position_ned_encode(1, 10, 20, -1, 0, 0, 0))
    see(watch, MAVLINK.heartbeat_encode(2, 0, 0x81, 5, 4))
    see(watch, MAVLINK.local_position_ned_encode(2, 13, 24, -3.5, 0, 0, 0))
    assert (watch.height_m, watch.distance_m) == (2.5, 5.0)


@pytest.mark.parametrize(
    ("armed", "landed_state", "expected"),
    [(True, 1, False), (False, 1, True), (False, 2, False), (False, 0, True)],
)
def test_on_ground_means_landed_and_disarmed(armed: bool, landed_state: int, expected: bool) -> None:
    """A vehicle that does not report landing stands when it is disarmed."""
    watch = VehicleWatch()
    see(watch, MAVLINK.heartbeat_encode(2, 0, 0x80 if armed else 0, 5, 4))
    see(watch, MAVLINK.extended_sys_state_encode(0, landed_state))
    assert watch.on_ground is expected


@pytest.mark.parametrize(
    ("present", "health", "expected"),
    [(0, 0, None), (0x1000_0000, 0, False), (0x1000_0000, 0x1000_0000, True)],
)
def test_ready_follows_the_pre_arm_flag_where_it_is_present(
    present: int, health: int, expected: bool | None
) -> None:
    """Pre-arm health is known only from vehicles that report it; -1 per cent of battery means unknown."""
    watch = VehicleWatch()
    see(watch, MAVLINK.sys_status_encode(present, present, health, 0, 0, 0, -1, 0, 0, 0, 0, 0, 0))
    assert (watch.seen.ready, watch.seen.battery) == (expected, None)
    see(watch, MAVLINK.sys_status_encode(present, present, health, 0, 0, 0, 64, 0, 0, 0, 0, 0, 0))
    assert watch.seen.battery == 0.64

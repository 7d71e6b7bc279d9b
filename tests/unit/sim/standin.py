"""A flight core without physics: a point that follows its target at once limited speeds, for tests of the autopilot.

It obeys the contract of `FlightCore` in `sim/interface.py`; tests of flying itself use the real core.
"""

from __future__ import annotations

import math
import struct

from asflown.frames import wrap_angle
from asflown.sim.faults import FAULTS
from asflown.sim.interface import TICK_US, CoreEvents, Estimate, Limits, PositionFeed, Readings, Target

TICK_S = TICK_US / 1e6
ORIGIN = (52.0, 4.5, 3.0)


class StandIn:
    """Follows positions with a first-order speed, velocities at once; touches down at height 0."""

    def __init__(self) -> None:
        self.estimate = Estimate(
            position_valid=True,
            attitude_valid=True,
            height_valid=True,
            origin_known=True,
            horizontal_accuracy_m=0.8,
            vertical_accuracy_m=0.6,
            origin_latitude_deg=ORIGIN[0],
            origin_longitude_deg=ORIGIN[1],
            origin_altitude_m=ORIGIN[2],
        )
        self.readings = Readings(gnss_fix=3, gnss_satellites=11, battery_voltage_v=7.6)
        self.limits = Limits()
        self.target = Target()
        self.events = CoreEvents()
        self.armed = False
        self.on_ground = True
        self.refuses_to_arm = ""
        self.time_s = 0.0
        self.faults: dict[str, bool] = {}
        self.feeds: list[PositionFeed] = []

    def tick(self) -> None:
        """10 ms."""
        self.time_s += TICK_S
        if self.armed:
            self._move()

    def arm(self) -> str:
        """Arms, or says what the test has put into `refuses_to_arm`."""
        self.armed = not self.refuses_to_arm
        return self.refuses_to_arm

    def disarm(self) -> None:
        """Only ever on the ground."""
        assert self.on_ground, "motors stopped in the air"
        self.armed = False

    def set_fault(self, kind: str, *, active: bool, severity: float = 1.0, unit: int = 1) -> bool:
        """Knows the faults of the real core, and only notes them."""
        if kind not in FAULTS:
            return False
        self.faults[kind] = active
        return True

    def take_position(self, feed: PositionFeed) -> None:
        """Notes it."""
        self.feeds.append(feed)

    def set_origin(self, latitude_deg: float, longitude_deg: float, altitude_m: float) -> bool:
        """Takes it when it has none."""
        known = self.estimate.origin_known
        if not known:
            self.estimate.origin_latitude_deg, self.estimate.origin_longitude_deg = (
                latitude_deg,
                longitude_deg,
            )
            self.estimate.origin_altitude_m, self.estimate.origin_known = altitude_m, True
        return not known

    def rest_ned_m(self) -> tuple[float, float, float]:
        """As the estimate moves, braking with 60 % of the limit."""
        e = self.estimate
        speed = math.hypot(e.velocity_north_m_s, e.velocity_east_m_s, e.velocity_down_m_s)
        scale = speed / (1.2 * self.limits.acceleration_m_s2)
        return (
            e.north_m + scale * e.velocity_north_m_s,
            e.east_m + scale * e.velocity_east_m_s,
            e.down_m + scale * e.velocity_down_m_s,
        )

    def truth_row(self) -> tuple[float, ...]:
        """The estimate: a stand-in errs in nothing."""
        e = self.estimate
        return (
            self.time_s, e.north_m, e.east_m, e.down_m,
            e.velocity_north_m_s, e.velocity_east_m_s, e.velocity_down_m_s,
            e.roll_rad, e.pitch_rad, e.yaw_rad, 0.0, 0.0, 0.0,
            self.readings.battery_remaining, float(self.on_ground), float(self.armed),
        )  # fmt: skip

    def drain_state(self) -> bytes:
        """The position."""
        return struct.pack("<3d", self.estimate.north_m, self.estimate.east_m, self.estimate.down_m)

    def _move(self) -> None:
        t, e = self.target, self.estimate
        north = _speed(t.north_m, e.north_m, t.velocity_north_m_s)
        east = _speed(t.east_m, e.east_m, t.velocity_east_m_s)
        fastest = min(t.speed_limit_m_s or self.limits.speed_m_s, self.limits.speed_m_s)
        shrink = min(1.0, fastest / max(math.hypot(north, east), 1e-9))
        down = self.limits.landing_m_s if t.land else _speed(t.down_m, e.down_m, t.velocity_down_m_s)
        down = min(max(down, -self.limits.climb_m_s), self.limits.descent_m_s)
        e.velocity_north_m_s, e.velocity_east_m_s, e.velocity_down_m_s = north * shrink, east * shrink, down
        self._touch()
        e.north_m += e.velocity_north_m_s * TICK_S
        e.east_m += e.velocity_east_m_s * TICK_S
        e.down_m += e.velocity_down_m_s * TICK_S
        turn = t.yaw_rate_rad_s or 0.0 if t.yaw_rad is None else wrap_angle(t.yaw_rad - e.yaw_rad) * 5
        turn = min(max(turn, -self.limits.yaw_rate_rad_s), self.limits.yaw_rate_rad_s)
        e.yaw_rad = wrap_angle(e.yaw_rad + turn * TICK_S)

    def _touch(self) -> None:
        e = self.estimate
        self.on_ground = e.down_m >= 0.0 and e.velocity_down_m_s >= 0.0
        if self.on_ground:
            e.down_m = e.velocity_north_m_s = e.velocity_east_m_s = e.velocity_down_m_s = 0.0


def _speed(wanted_m: float | None, here_m: float, velocity_m_s: float | None) -> float:
    return (velocity_m_s or 0.0) + (0.0 if wanted_m is None else (wanted_m - here_m) * 2.0)

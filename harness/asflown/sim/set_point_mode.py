"""The set-points mode: obeys the stream of set-points, and knows what to do when it ends.

The built-in vehicle's own rule: the mode may be entered without a stream. A set-point that ends somewhere (a
position) is kept. One that moves on without end (velocity, acceleration, yaw rate) is dropped when it is older
than `setpoint.age`: the craft comes to rest and holds, still in this mode, and says so.

A vehicle file's `set_point_stream` puts a stricter rule in its place: the mode is entered only after a stream of
`before_entry`, and falls back to position hold when nothing has come for `time_out`, whatever the last one was.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from asflown.scenario.model import Identity
from asflown.sim.identity import ModeName
from asflown.sim.interface import TICK_US, Limits, Target
from asflown.sim.set_points import SetPoint
from asflown.sim.situation import Situation

_TICK_S = TICK_US / 1e6
_CLEARLY_UP_M = 0.3


class SetPointStream:
    """How long set-points have been coming without a gap."""

    def __init__(self, identity: Identity) -> None:
        stream = identity.set_point_stream
        self.demanded = "set_point_stream" in identity.model_fields_set
        self.before_entry_us = round(stream.before_entry_s * 1e6)
        self.time_out_us = round(stream.time_out_s * 1e6)
        self._since_us: int | None = None
        self._last_us = 0

    def note(self, now_us: int) -> None:
        """A valid set-point came."""
        if self._since_us is None or now_us - self._last_us > self.time_out_us:
            self._since_us = now_us
        self._last_us = now_us

    def silent_us(self, now_us: int) -> int:
        """Time since the last one."""
        return now_us - self._last_us

    def opens(self, now_us: int) -> bool:
        """Whether the mode may be entered."""
        if not self.demanded or self.before_entry_us == 0:
            return True
        if self._since_us is None or self.silent_us(now_us) > self.time_out_us:
            return False
        return now_us - self._since_us >= self.before_entry_us


class SetPointsMode:
    """Follows the last set-point."""

    name = ModeName.SET_POINTS
    landing = False
    needs_link = True

    def __init__(self, stream: SetPointStream, say: Callable[[str], None]) -> None:
        """`say` tells people what happens."""
        self._stream = stream
        self._say = say
        self._entered_us = 0
        self._received_us = 0
        self._current: SetPoint | None = None
        self._grounded = False

    def refuses(self, situation: Situation) -> str:
        """When a stream is demanded and there is none."""
        if self._stream.opens(situation.now_us):
            return ""
        return f"needs set-points for {self._stream.before_entry_us / 1e6:g} s first"

    def enter(self, situation: Situation) -> None:
        """Holds until a set-point comes; older ones do not count. On the ground it stays there."""
        self._current = None
        self._entered_us = situation.now_us
        self._hold(situation)

    def obey(self, situation: Situation, set_point: SetPoint) -> None:
        """Follows `set_point` from now on. A craft on the ground takes off for one that leads upwards."""
        if self._grounded and not _leads_up(set_point, situation):
            return
        self._grounded = False
        self._current, self._received_us = set_point, situation.now_us
        situation.core.target = _completed(set_point, situation)

    def climb(self, situation: Situation, height_m: float) -> None:
        """A take-off commanded in this mode: a position set-point straight up from here."""
        north_m, east_m, down_m = situation.here()
        self.obey(situation, SetPoint(north_m=north_m, east_m=east_m, down_m=down_m - height_m))

    def tick(self, situation: Situation) -> ModeName | None:
        """Carries accelerations on, and looks at the age of what is followed."""
        if self._stream_ended(situation):
            return ModeName.POSITION_HOLD
        current = self._current
        if current is None:
            if self._grounded and not situation.core.on_ground:
                self._hold(situation)
            return None
        if current.accelerating:
            _accelerate(situation.core.target, situation.core.limits)
        age_us = situation.now_us - self._received_us
        if not self._stream.demanded and current.moving and age_us > self._age_limit_us(situation):
            self._say("set-point too old: holding")
            self._current = None
            situation.keep_yaw(situation.estimate.yaw_rad)
            self._hold(situation)
        return None

    def _stream_ended(self, situation: Situation) -> bool:
        if not self._stream.demanded:
            return False
        waited_us = min(self._stream.silent_us(situation.now_us), situation.now_us - self._entered_us)
        if waited_us <= self._stream.time_out_us:
            return False
        self._say("set-points stopped")
        return True

    @staticmethod
    def _age_limit_us(situation: Situation) -> int:
        return round(situation.parameters["setpoint.age"] * 1e6)

    def _hold(self, situation: Situation) -> None:
        self._grounded = situation.core.on_ground
        if self._grounded:
            situation.stay_on_ground()
        else:
            situation.fly_to(situation.resting_point())


def _completed(set_point: SetPoint, situation: Situation) -> Target:
    """The target, with what the set-point leaves open kept as it is: height, place, heading."""
    target, previous, estimate = set_point.target(), situation.core.target, situation.estimate
    target.speed_limit_m_s = situation.speed_limit_m_s
    if set_point.accelerating:
        target.velocity_north_m_s = estimate.velocity_north_m_s
        target.velocity_east_m_s = estimate.velocity_east_m_s
        target.velocity_down_m_s = estimate.velocity_down_m_s
    if target.north_m is None and target.velocity_north_m_s is None:
        target.north_m, target.east_m = previous.north_m, previous.east_m
        if target.north_m is None or target.east_m is None:
            target.north_m, target.east_m, _ = situation.resting_point()
    if target.down_m is None and target.velocity_down_m_s is None:
        target.down_m = previous.down_m if previous.down_m is not None else situation.resting_point()[2]
    _complete_yaw(target, situation)
    return target


def _complete_yaw(target: Target, situation: Situation) -> None:
    if target.yaw_rad is not None:
        situation.keep_yaw(target.yaw_rad)
    elif target.yaw_rate_rad_s is not None:
        situation.keep_yaw(situation.estimate.yaw_rad)
    else:
        target.yaw_rad = situation.yaw_rad


def _leads_up(set_point: SetPoint, situation: Situation) -> bool:
    if set_point.down_m is not None:
        return set_point.down_m < situation.estimate.down_m - _CLEARLY_UP_M
    if set_point.velocity_down_m_s is not None:
        return set_point.velocity_down_m_s < 0
    return set_point.accelerating and (set_point.acceleration_ned_m_s2 or (0.0, 0.0, 0.0))[2] < 0


def _accelerate(target: Target, limits: Limits) -> None:
    """10 ms of an acceleration set-point: the velocity grows by it, up to the limits."""
    north, east, down = target.acceleration_ned_m_s2
    velocity_north = (target.velocity_north_m_s or 0.0) + north * _TICK_S
    velocity_east = (target.velocity_east_m_s or 0.0) + east * _TICK_S
    shrink = min(1.0, limits.speed_m_s / max(math.hypot(velocity_north, velocity_east), 1e-9))
    target.velocity_north_m_s, target.velocity_east_m_s = velocity_north * shrink, velocity_east * shrink
    velocity_down = (target.velocity_down_m_s or 0.0) + down * _TICK_S
    target.velocity_down_m_s = min(max(velocity_down, -limits.climb_m_s), limits.descent_m_s)

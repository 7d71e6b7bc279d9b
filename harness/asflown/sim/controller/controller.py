"""The flight controller: standing, lifting off, flying, touching down; targets at 100 Hz, motors at 400 Hz.

Standing armed, the motors idle and nothing is controlled. A target above the craft lifts it off: thrust grows
while the craft is kept level, and position is followed once it has left the ground.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from enum import Enum
from math import copysign, sqrt

from asflown.frames import wrap_angle
from asflown.sim.controller.attitude import AttitudeLoop, yaw_rate_towards
from asflown.sim.controller.craft import Craft
from asflown.sim.controller.mixer import IDLE_COMMAND, STOPPED, Commands, Mixer
from asflown.sim.controller.position import PositionLoop
from asflown.sim.controller.reference import PERIOD_S, Reference
from asflown.sim.controller.touch_down import TouchDown
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.interface import Estimate, Limits, Target
from asflown.sim.releases import Release, Tuning

_IDLE: Commands = (IDLE_COMMAND, IDLE_COMMAND, IDLE_COMMAND, IDLE_COMMAND)
_UP_BY_M, _UP_AT_M_S = 0.2, 0.05
_SPOOL_S = 0.8
_SPOOL_FROM = 0.3
_AIRBORNE_ABOVE_M, _AIRBORNE_CLIMB_M_S = 0.12, 0.3
_USABLE_THRUST = 0.85
_LEASH_M, _UPRIGHT_LEASH_M = 2.0, 0.6
_TURNING_RAD_S2, _CLOSING_PER_S = 2.0, 3.0
"""How fast a turn speeds up and slows down, and its rate per angle left close to the heading."""
_TIPPED, _STILL_M_S, _LYING_S = 0.5, 0.6, 1.0
"""Cosine of the tilt, speed and time that tell a craft on its side or back."""
_SLOW_BELOW_M, _SLOWING_PER_S = 2.0, 0.4


def _stopped() -> Commands:
    return STOPPED


def _idle() -> Commands:
    return _IDLE


def approach_rate_rad_s(left_rad: float) -> float:
    """Largest rate from which a turn can still end at its heading: sqrt(2 a d), made linear close to it."""
    joined = _TURNING_RAD_S2 / (_CLOSING_PER_S * _CLOSING_PER_S)
    if left_rad < joined:
        return _CLOSING_PER_S * left_rad
    return sqrt(2.0 * _TURNING_RAD_S2 * (left_rad - 0.5 * joined))


class Phase(Enum):
    """Where the controller is between ground and air."""

    STANDING = "standing"
    LIFTING = "lifting"
    FLYING = "flying"


class Controller:
    """Call `update` every 10 ms, and what `motors` gives every 2.5 ms. Nothing turns before `arm`."""

    __slots__ = (
        "_attitude",
        "_craft",
        "_estimate",
        "_ground_down_m",
        "_lifting_s",
        "_lying_s",
        "_mixer",
        "_position",
        "_reference",
        "_strapdown",
        "_touch_down",
        "_tuning",
        "_turning_rad_s",
        "_yaw_rad",
        "armed",
        "phase",
    )

    def __init__(
        self,
        release: Release,
        tuning: Tuning,
        craft: Craft,
        strapdown: Strapdown,
        estimate: Estimate,
    ) -> None:
        """`tuning` is the release's for this craft."""
        self._tuning, self._craft, self._strapdown, self._estimate = tuning, craft, strapdown, estimate
        self._mixer = Mixer(craft)
        self._attitude = AttitudeLoop(tuning, craft, strapdown, self._mixer)
        self._position = PositionLoop(tuning, strapdown, release.level_share)
        self._reference = Reference(tuning.braking, tuning.jerk_m_s3, tuning.response_s)
        self._touch_down = TouchDown()
        self._ground_down_m = self._lifting_s = self._yaw_rad = self._turning_rad_s = 0.0
        self._lying_s = 0.0
        self.armed, self.phase = False, Phase.STANDING

    @property
    def on_ground(self) -> bool:
        """Whether the landing detector says so."""
        return self.phase is not Phase.FLYING

    def rest_ned_m(self, limits: Limits) -> tuple[float, float, float]:
        """Where the craft comes to rest when it is told to stop now."""
        e, (north, east, down) = self._estimate, self._reference.way_to_rest_m(limits)
        return e.north_m + north, e.east_m + east, e.down_m + down

    def arm(self) -> None:
        """Lets the motors idle."""
        self.armed = True

    def disarm(self) -> None:
        """Stops the motors."""
        self.armed = False
        self.phase = Phase.STANDING

    def motors(self) -> Callable[[], Commands]:
        """What to call for motor commands, each for 2.5 ms, until the next `update`."""
        if not self.armed:
            return _stopped
        return _idle if self.phase is Phase.STANDING else self._attitude.step

    def update(self, target: Target, limits: Limits, voltage_v: float, density_ratio: float) -> None:
        """10 ms towards the target; voltage and density tell what the rotors can give."""
        if not self.armed:
            return
        self._mixer.supply(voltage_v, density_ratio)
        if self._lies():
            self.phase = Phase.STANDING
        elif self.phase is Phase.FLYING:
            self._fly(target, limits)
        elif not self._leads_up(target):
            self.phase = Phase.STANDING
        elif self.phase is Phase.LIFTING:
            self._lift(limits)
        else:
            self._begin_lifting()

    def _lies(self) -> bool:
        """Whether the craft lies tipped over, still: its motors then idle, and nothing lifts it off.

        Nothing that flies leans so far and stays in one place for so long.
        """
        s = self._strapdown
        if s.r33 >= _TIPPED:
            self._lying_s = 0.0
            return False
        still = abs(s.velocity_north_m_s) + abs(s.velocity_east_m_s) + abs(s.velocity_down_m_s) < _STILL_M_S
        self._lying_s = self._lying_s + PERIOD_S if still else 0.0
        return self._lying_s > _LYING_S

    def _leads_up(self, target: Target) -> bool:
        if target.land:
            return False
        if target.down_m is not None:
            lifting = self.phase is Phase.LIFTING
            return target.down_m < (self._ground_down_m if lifting else self._strapdown.down_m) - _UP_BY_M
        return target.velocity_down_m_s is not None and target.velocity_down_m_s < -_UP_AT_M_S

    def _begin_lifting(self) -> None:
        s = self._strapdown
        self._ground_down_m, self._lifting_s, self._yaw_rad = s.down_m, 0.0, self._estimate.yaw_rad
        self._position.reset()
        self._attitude.reset()
        self._touch_down.reset()
        self._reference.reset((s.north_m, s.east_m, s.down_m), (0.0, 0.0, 0.0))
        self._attitude.integrating = False
        self._turning_rad_s = 0.0
        self.phase = Phase.LIFTING

    def _lift(self, limits: Limits) -> None:
        """Level, at growing thrust, until the ground is left."""
        s, reference = self._strapdown, self._reference
        self._lifting_s += PERIOD_S
        share = min(1.0, _SPOOL_FROM + (1.0 - _SPOOL_FROM) * self._lifting_s / _SPOOL_S)
        if share >= 1.0:
            reference.step(Target(velocity_down_m_s=-limits.climb_m_s), limits)
            reference.keep_near(s.north_m, s.east_m, s.down_m, 0.0, _UPRIGHT_LEASH_M)
            self._position.step(reference, limits, self._most_m_s2(), level_only=True)
        self._command(share, limits)
        if s.down_m < self._ground_down_m - _AIRBORNE_ABOVE_M or s.velocity_down_m_s < -_AIRBORNE_CLIMB_M_S:
            reference.reset((s.north_m, s.east_m, s.down_m), (0.0, 0.0, min(0.0, s.velocity_down_m_s)))
            self._attitude.integrating = True
            self.phase = Phase.FLYING

    def _fly(self, target: Target, limits: Limits) -> None:
        s, reference = self._strapdown, self._reference
        if target.land:
            target = self._landing(target, limits)
        reference.step(target, limits)
        valid, likely = self._estimate.position_valid, self._touch_down.likely
        reference.keep_near(s.north_m, s.east_m, s.down_m, _LEASH_M if valid else 0.0, _UPRIGHT_LEASH_M)
        self._position.step(reference, limits, self._most_m_s2(), level_only=likely or not valid)
        self._attitude.integrating = not likely
        self._turn(target, limits)
        lift = self._command(self._touch_down.thrust_share, limits)
        if self._touch_down.step(reference.velocity[2], s.velocity_down_m_s, lift):
            self.phase = Phase.STANDING

    def _landing(self, target: Target, limits: Limits) -> Target:
        """Down at the landing speed; faster while well above the ground that the craft started from."""
        above_m = self._ground_down_m - self._strapdown.down_m - _SLOW_BELOW_M
        speed = min(limits.descent_m_s, limits.landing_m_s + _SLOWING_PER_S * max(0.0, above_m))
        return replace(target, down_m=None, velocity_down_m_s=max(speed, limits.landing_m_s))

    def _turn(self, target: Target, limits: Limits) -> None:
        """Moves the heading to keep towards what the target asks for, slowing down in time."""
        most, wanted = limits.yaw_rate_rad_s, 0.0
        if target.yaw_rad is not None:
            left = wrap_angle(target.yaw_rad - self._yaw_rad)
            wanted = copysign(approach_rate_rad_s(abs(left)), left)
        elif target.yaw_rate_rad_s is not None:
            wanted = target.yaw_rate_rad_s
        if not -most < wanted < most:
            wanted = min(most, max(-most, wanted))
        change, step = wanted - self._turning_rad_s, _TURNING_RAD_S2 * PERIOD_S
        self._turning_rad_s += change if -step < change < step else min(step, max(-step, change))
        self._yaw_rad = wrap_angle(self._yaw_rad + PERIOD_S * self._turning_rad_s)

    def _command(self, share: float, limits: Limits) -> float:
        """Hands the thrust vector to the attitude loop; returns the thrust as a share of weight."""
        attitude, (north, east, down) = self._attitude, self._position.force
        size = sqrt(north * north + east * east + down * down)
        attitude.up_north, attitude.up_east, attitude.up_down = north / size, east / size, down / size
        specific = self._position.specific_thrust() * share
        attitude.thrust_n = specific * self._craft.mass_kg
        attitude.yaw_rate_rad_s = self._turning_rad_s + yaw_rate_towards(
            self._yaw_rad, self._estimate.yaw_rad, self._tuning.yaw_p, limits.yaw_rate_rad_s
        )
        return specific / self._strapdown.gravity_m_s2

    def _most_m_s2(self) -> float:
        return 4.0 * _USABLE_THRUST * self._mixer.full_n / self._craft.mass_kg

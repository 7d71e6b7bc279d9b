"""Flight modes: what a mode is, and the three simple ones (position hold, take-off, land).

A mode is entered once, then asked every 10 ms. It acts by setting the core's target, and leaves by naming the
mode that follows. Modes know nothing of MAVLink, of arming and of failsafes.
"""

from __future__ import annotations

from typing import Protocol

from asflown.frames import to_north_east
from asflown.sim.identity import ModeName
from asflown.sim.interface import Target
from asflown.sim.situation import Point, Situation
from asflown.sim.sticks import DEAD_BAND, Deflection

_NEARLY_THERE_M = 0.3
_LIFTS_OFF = 0.3


class Mode(Protocol):
    """One flight mode. Entered only with a valid position, except land."""

    name: ModeName
    landing: bool
    """Whether it is on its last way down, so that the ground ends the flight."""
    needs_link: bool
    """Whether it depends on the ground's commands, so that the ground's silence ends it."""

    def refuses(self, situation: Situation) -> str:
        """Why it cannot be entered now; '' when it can."""

    def enter(self, situation: Situation) -> None:
        """Starts it. The craft is armed; on the ground only modes that can start there do more than stay."""

    def tick(self, situation: Situation) -> ModeName | None:
        """10 ms of it; the mode that follows when it has done its work."""


class PositionHold:
    """Stays where it is, or where a reposition command has sent it. On the ground it stays on the ground.

    Sticks off centre move it: forward, right, up and round, each up to the limit of its own; centred, or silent
    for half a second, they leave it where it can come to rest. A stick well up lifts it off the ground.
    """

    name = ModeName.POSITION_HOLD
    landing = False
    needs_link = True

    def __init__(self) -> None:
        self._grounded = False
        self._steered = False

    def refuses(self, situation: Situation) -> str:
        """Never, with a valid position."""
        return ""

    def enter(self, situation: Situation) -> None:
        """Holds the target's point when the craft is already there, else where it can come to rest."""
        self._grounded = situation.core.on_ground
        self._steered = False
        situation.sticks.flown = False
        if self._grounded:
            situation.stay_on_ground()
        else:
            situation.fly_to(situation.resting_point())

    def tick(self, situation: Situation) -> ModeName | None:
        """Follows the sticks, and holds in the air should the ground have gone from under it."""
        sticks = situation.sticks
        if sticks.heard_us is not None and self._steer(situation):
            return None
        if self._steered:
            situation.keep_yaw(situation.estimate.yaw_rad)
            self.enter(situation)
            sticks.flown = True
        elif self._grounded and not situation.core.on_ground:
            self.enter(situation)
        return None

    def _steer(self, situation: Situation) -> bool:
        """Whether the sticks fly."""
        deflection = situation.sticks.deflection
        if not situation.sticks.steering(situation.now_us):
            return False
        if situation.core.on_ground and deflection.up < _LIFTS_OFF:
            return False
        self._grounded, self._steered = False, True
        situation.sticks.flown = True
        situation.turn = None
        situation.core.target = _steered_target(situation, deflection)
        return True

    def move(self, situation: Situation, point: Point, speed_limit_m_s: float | None) -> None:
        """From now on holds at `point`; in the air only."""
        self._grounded = self._steered = False
        situation.fly_to(point, speed_limit_m_s)


class TakeOff:
    """Climbs straight up to a height above the place it stands on, then holds position there."""

    name = ModeName.TAKE_OFF
    landing = False
    needs_link = True

    def __init__(self) -> None:
        self.height_m: float | None = None
        """For the entry that follows; None for the height of the parameter."""
        self._down_m = 0.0

    def refuses(self, situation: Situation) -> str:
        """When the craft is in the air already, or its motors do not run."""
        if not situation.core.armed:
            return "arm first"
        return "" if situation.core.on_ground else "flying already"

    def enter(self, situation: Situation) -> None:
        """Aims straight up."""
        north_m, east_m, down_m = situation.here()
        self._down_m = down_m - (self.height_m or situation.parameters["takeoff.height"])
        situation.fly_to((north_m, east_m, self._down_m))

    def tick(self, situation: Situation) -> ModeName | None:
        """Position hold follows when the height is nearly reached."""
        arrived = abs(situation.estimate.down_m - self._down_m) < _NEARLY_THERE_M
        return ModeName.POSITION_HOLD if arrived and not situation.core.on_ground else None


class Land:
    """Comes to rest and goes down at the landing speed, wherever it is."""

    name = ModeName.LAND
    landing = True
    needs_link = False

    def __init__(self) -> None:
        self.place: tuple[float, float] | None = None
        """North and east to land at, for the entry that follows; None for where the craft is."""

    def refuses(self, situation: Situation) -> str:
        """When the motors do not run."""
        return "" if situation.core.armed else "not flying"

    def enter(self, situation: Situation) -> None:
        """Goes down."""
        north_m, east_m = self.place or situation.resting_point()[:2]
        situation.land_at(north_m, east_m)

    def tick(self, situation: Situation) -> ModeName | None:
        """Nothing follows: the autopilot stops the motors on the ground."""
        return None


def _steered_target(situation: Situation, deflection: Deflection) -> Target:
    """The velocity that the sticks ask for; the height stays while the vertical stick is centred."""
    limits, previous = situation.core.limits, situation.core.target
    forward_m_s, right_m_s = deflection.forward * limits.speed_m_s, deflection.right * limits.speed_m_s
    north_m_s, east_m_s = to_north_east(forward_m_s, right_m_s, situation.estimate.yaw_rad)
    target = Target(
        velocity_north_m_s=north_m_s,
        velocity_east_m_s=east_m_s,
        yaw_rate_rad_s=deflection.clockwise * limits.yaw_rate_rad_s,
    )
    if abs(deflection.up) > DEAD_BAND:
        fastest_m_s = limits.climb_m_s if deflection.up > 0 else limits.descent_m_s
        target.velocity_down_m_s = -deflection.up * fastest_m_s
    else:
        kept = previous.velocity_down_m_s is None and previous.down_m is not None
        target.down_m = previous.down_m if kept else situation.resting_point()[2]
    return target

"""Flight modes: what a mode is, and the three simple ones (position hold, take-off, land).

A mode is entered once, then asked every 10 ms. It acts by setting the core's target, and leaves by naming the
mode that follows. Modes know nothing of MAVLink, of arming and of failsafes.
"""

from __future__ import annotations

from typing import Protocol

from asflown.sim.identity import ModeName
from asflown.sim.situation import Point, Situation

_NEARLY_THERE_M = 0.3


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
    """Stays where it is, or where a reposition command has sent it. On the ground it stays on the ground."""

    name = ModeName.POSITION_HOLD
    landing = False
    needs_link = True

    def __init__(self) -> None:
        self._grounded = False

    def refuses(self, situation: Situation) -> str:
        """Never, with a valid position."""
        return ""

    def enter(self, situation: Situation) -> None:
        """Holds the target's point when the craft is already there, else where it can come to rest."""
        self._grounded = situation.core.on_ground
        if self._grounded:
            situation.stay_on_ground()
        else:
            situation.fly_to(situation.resting_point())

    def tick(self, situation: Situation) -> ModeName | None:
        """Starts to hold in the air should the ground have gone from under it."""
        if self._grounded and not situation.core.on_ground:
            self.enter(situation)
        return None

    def move(self, situation: Situation, point: Point, speed_limit_m_s: float | None) -> None:
        """From now on holds at `point`; in the air only."""
        self._grounded = False
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

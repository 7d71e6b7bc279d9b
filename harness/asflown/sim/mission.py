"""The mission mode and the plan it flies: take-off, waypoints, speed, landing, return.

A plan is replaced as a whole and never while it is flown. Items are flown in order, each to its end. The place
of an item is resolved when the item begins, because an altitude above home means nothing before there is a home.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav

from asflown.sim.identity import ModeName
from asflown.sim.set_points import GLOBAL_FRAMES, Vantage, place_to_ned
from asflown.sim.situation import Point, Situation

WAYPOINT = int(mav.MAV_CMD_NAV_WAYPOINT)
RETURN = int(mav.MAV_CMD_NAV_RETURN_TO_LAUNCH)
LAND = int(mav.MAV_CMD_NAV_LAND)
TAKE_OFF = int(mav.MAV_CMD_NAV_TAKEOFF)
CHANGE_SPEED = int(mav.MAV_CMD_DO_CHANGE_SPEED)
FLOWN = frozenset({WAYPOINT, RETURN, LAND, TAKE_OFF, CHANGE_SPEED})
PLACED = frozenset({WAYPOINT, LAND, TAKE_OFF})
ITEM_FRAMES = GLOBAL_FRAMES | {mav.MAV_FRAME_MISSION}

_ACCEPTANCE_M = 1.0
_HEIGHT_REACHED_M = 0.4
_FACE_BEYOND_M = 2.0


@dataclass(frozen=True, slots=True)
class MissionItem:
    """One item as it was uploaded: `x`, `y` in 1e-7 degrees, `z` in metres."""

    frame: int
    command: int
    params: tuple[float, float, float, float]
    x: int
    y: int
    z: float
    autocontinue: int = 1

    @property
    def placed(self) -> bool:
        """Whether it names a place; 0, 0 means where the craft is."""
        return self.command in PLACED and (self.x != 0 or self.y != 0)


class Mission:
    """The plan, and the mode that flies it."""

    name = ModeName.MISSION
    needs_link = False

    def __init__(self) -> None:
        self.plan: tuple[MissionItem, ...] = ()
        self.current = 0
        self.landing = False
        self.complete = False
        self.reached: list[int] = []
        """Items reached since they were last taken from here."""
        self._point: Point | None = None
        self._arrived_us: int | None = None

    def refuses(self, situation: Situation) -> str:
        """Without a plan; or on the ground, when the plan does not begin with a take-off."""
        if not self.plan:
            return "no mission"
        first = self.plan[0 if self.complete else self.current]
        if situation.core.on_ground and first.command != TAKE_OFF:
            return "first item is no take-off"
        return ""

    def store(self, plan: tuple[MissionItem, ...]) -> None:
        """Replaces the plan."""
        self.plan, self.current, self.complete = plan, 0, False

    def set_current(self, index: int) -> bool:
        """Goes on with this item; False when there is none of this number."""
        if not 0 <= index < len(self.plan):
            return False
        self.current, self.complete, self._point = index, False, None
        return True

    def enter(self, situation: Situation) -> None:
        """Goes on where it was left; a complete one starts again."""
        if self.complete:
            self.current, self.complete = 0, False
        self.landing = False
        self._point = None
        if situation.core.on_ground and self.plan[self.current].command != TAKE_OFF:
            situation.stay_on_ground()

    def tick(self, situation: Situation) -> ModeName | None:
        """Flies the current item; return hands over to safe recovery, the end of the plan to position hold."""
        if self.complete:
            return ModeName.POSITION_HOLD
        item = self.plan[self.current]
        if item.command == RETURN:
            self._advance()
            return ModeName.SAFE_RECOVERY
        if self._point is None:
            self._begin(item, situation)
        if item.command == CHANGE_SPEED or (not self.landing and self._done(item, situation)):
            self._finish(item, situation)
        return None

    def _begin(self, item: MissionItem, situation: Situation) -> None:
        self._arrived_us = None
        self._point = situation.resting_point()
        if item.command == CHANGE_SPEED:
            speed_m_s = item.params[1]
            situation.speed_limit_m_s = speed_m_s if speed_m_s > 0 else None
            return
        self._point = self._goal(item, situation)
        self._face(item, situation)
        situation.fly_to(self._point)

    @staticmethod
    def _goal(item: MissionItem, situation: Situation) -> Point:
        home = situation.home
        vantage = Vantage(situation.estimate, situation.plane(), None if home is None else home[2])
        here = situation.resting_point()
        if item.command == LAND:
            place = place_to_ned((item.x / 1e7, item.y / 1e7), 0.0, item.frame, vantage)
            return (place[0], place[1], here[2]) if item.placed else here
        latitude, longitude, _ = vantage.plane.to_geodetic(*here)
        place_deg = (item.x / 1e7, item.y / 1e7) if item.placed else (latitude, longitude)
        goal = place_to_ned(place_deg, item.z, item.frame, vantage)
        return (here[0], here[1], goal[2]) if item.command == TAKE_OFF else goal

    def _face(self, item: MissionItem, situation: Situation) -> None:
        """The yaw of the item, or the way it goes."""
        here, goal = situation.here(), self._point or situation.here()
        if item.command == TAKE_OFF:
            return
        if math.dist(here[:2], goal[:2]) > _FACE_BEYOND_M:
            situation.keep_yaw(math.atan2(goal[1] - here[1], goal[0] - here[0]))
        if item.command == WAYPOINT and math.isfinite(item.params[3]) and item.params[3] != 0.0:
            situation.keep_yaw(math.radians(item.params[3]))

    def _done(self, item: MissionItem, situation: Situation) -> bool:
        here, goal = situation.here(), self._point or situation.here()
        if abs(here[2] - goal[2]) > _HEIGHT_REACHED_M:
            return False
        radius_m = item.params[1] if item.command == WAYPOINT and item.params[1] > 0 else _ACCEPTANCE_M
        if math.dist(here[:2], goal[:2]) > radius_m:
            return False
        if self._arrived_us is None:
            self._arrived_us = situation.now_us
        hold_s = max(0.0, item.params[0]) if item.command == WAYPOINT else 0.0
        return situation.now_us - self._arrived_us >= hold_s * 1e6

    def _finish(self, item: MissionItem, situation: Situation) -> None:
        if item.command == LAND:
            goal = self._point or situation.here()
            self.landing = True
            situation.land_at(goal[0], goal[1])
            return
        self.reached.append(self.current)
        self._advance()

    def _advance(self) -> None:
        self._point = None
        self.current += 1
        if self.current >= len(self.plan):
            self.current, self.complete = len(self.plan) - 1, True

"""The mission mode and the plan it flies: take-off, waypoints, waiting, turns, speed, jumps, landing, return.

Items are flown in order, each to its end. The place of an item is resolved when the item begins, because an
altitude above home means nothing before there is a home. A plan may be replaced while it is flown: when the item
that is being flown is the same in the new plan it goes on, otherwise the new plan begins with its first item. A
mission that is left is resumed at the item that was being flown.
"""

from __future__ import annotations

import math

from pymavlink.dialects.v20 import common as mav

from asflown.sim.identity import ModeName
from asflown.sim.plan_item import PlanItem
from asflown.sim.set_points import Vantage, place_to_ned
from asflown.sim.situation import Point, Situation

WAYPOINT = int(mav.MAV_CMD_NAV_WAYPOINT)
LOITER_UNLIMITED = int(mav.MAV_CMD_NAV_LOITER_UNLIM)
LOITER_TIME = int(mav.MAV_CMD_NAV_LOITER_TIME)
RETURN = int(mav.MAV_CMD_NAV_RETURN_TO_LAUNCH)
LAND = int(mav.MAV_CMD_NAV_LAND)
TAKE_OFF = int(mav.MAV_CMD_NAV_TAKEOFF)
DELAY = int(mav.MAV_CMD_CONDITION_DELAY)
YAW = int(mav.MAV_CMD_CONDITION_YAW)
JUMP = int(mav.MAV_CMD_DO_JUMP)
CHANGE_SPEED = int(mav.MAV_CMD_DO_CHANGE_SPEED)
PLACED = frozenset({WAYPOINT, LAND, TAKE_OFF, LOITER_TIME, LOITER_UNLIMITED})
AT_ONCE = frozenset({YAW, JUMP, CHANGE_SPEED})
"""Items that are done as soon as they begin."""
FLOWN = PLACED | AT_ONCE | {RETURN, DELAY}
_WAITING = {WAYPOINT: 0, LOITER_TIME: 0, DELAY: 0}
"""Items that wait, and which parameter says how many seconds."""

DEGREES = 10_000_000
_ACCEPTANCE_M = 1.0
_HEIGHT_REACHED_M = 0.4
_FACE_BEYOND_M = 2.0


class Mission:
    """The plan, and the mode that flies it."""

    name = ModeName.MISSION
    needs_link = False

    def __init__(self) -> None:
        self.plan: tuple[PlanItem, ...] = ()
        self.current = 0
        self.landing = False
        self.complete = False
        self.begun = False
        """Whether it was flown since the plan came."""
        self.reached: list[int] = []
        """Items reached since they were last taken from here."""
        self._point: Point | None = None
        self._arrived_us: int | None = None
        self._jumped: dict[int, int] = {}

    def refuses(self, situation: Situation) -> str:
        """Without a plan; or on the ground, when the plan does not begin with a take-off."""
        if not self.plan:
            return "no mission"
        if not situation.estimate.origin_known:
            return "no origin: latitude and longitude mean nothing"
        first = self.plan[0 if self.complete else self.current]
        if situation.core.on_ground and first.command != TAKE_OFF:
            return "first item is no take-off"
        return ""

    def store(self, plan: tuple[PlanItem, ...]) -> None:
        """Replaces the plan; one that is being flown goes on with an item that is the same in both."""
        old, current = self.plan, self.current
        self.plan, self.complete = plan, False
        self._jumped.clear()
        if self.begun and current < min(len(plan), len(old)) and _same(plan[current], old[current]):
            return
        self.current, self.begun, self._point = 0, False, None
        self.landing = False

    def set_current(self, index: int) -> bool:
        """Goes on with this item; False when there is none of this number."""
        if not 0 <= index < len(self.plan):
            return False
        self.current, self.complete, self.landing, self._point = index, False, False, None
        return True

    def restart(self) -> None:
        """Forgets how far it came."""
        self._jumped.clear()
        self.set_current(0)

    def enter(self, situation: Situation) -> None:
        """Goes on where it was left; a complete one starts again."""
        if self.complete:
            self.restart()
        self.landing = False
        self._point = None
        if situation.core.on_ground and self.plan[self.current].command != TAKE_OFF:
            situation.stay_on_ground()

    def tick(self, situation: Situation) -> ModeName | None:
        """Flies the current item; return hands over to safe recovery, the end of the plan to position hold."""
        if self.complete or not self.plan:
            return ModeName.POSITION_HOLD
        self.begun = True
        item = self.plan[self.current]
        if item.command == RETURN:
            self._advance()
            return ModeName.SAFE_RECOVERY
        if item.command in AT_ONCE:
            self._act(item, situation)
            return None
        if self._point is None:
            self._begin(item, situation)
        if not self.landing and self._done(item, situation):
            self._finish(item, situation)
        return None

    def _act(self, item: PlanItem, situation: Situation) -> None:
        if item.command == JUMP:
            self._jump(item)
            return
        if item.command == CHANGE_SPEED:
            speed_m_s = item.params[1]
            situation.speed_limit_m_s = speed_m_s if speed_m_s > 0 else None
            situation.core.target.speed_limit_m_s = situation.speed_limit_m_s
        elif math.isfinite(item.params[0]):
            relative_rad = situation.yaw_rad if item.params[3] else 0.0
            situation.keep_yaw(math.remainder(relative_rad + math.radians(item.params[0]), math.tau))
            situation.core.target.yaw_rad = situation.yaw_rad
        self.reached.append(self.current)
        self._advance()

    def _jump(self, item: PlanItem) -> None:
        """To item `param1`, `param2` times in all (-1: without end); then on."""
        done, times = self._jumped.get(self.current, 0), item.params[1]
        if times < 0 or done < times:
            self._jumped[self.current] = done + 1
            self.set_current(int(item.params[0]))
            return
        self._jumped.pop(self.current, None)
        self._advance()

    def _begin(self, item: PlanItem, situation: Situation) -> None:
        self._arrived_us = None
        self._point = situation.resting_point()
        if item.command != DELAY:
            self._point = _goal(item, situation)
            self._face(item, situation)
        situation.fly_to(self._point)

    def _face(self, item: PlanItem, situation: Situation) -> None:
        """The yaw of the item, or the way it goes."""
        here, goal = situation.here(), self._point or situation.here()
        if item.command == TAKE_OFF:
            return
        if math.dist(here[:2], goal[:2]) > _FACE_BEYOND_M:
            situation.keep_yaw(math.atan2(goal[1] - here[1], goal[0] - here[0]))
        if item.command == WAYPOINT and math.isfinite(item.params[3]) and item.params[3] != 0.0:
            situation.keep_yaw(math.radians(item.params[3]))

    def _done(self, item: PlanItem, situation: Situation) -> bool:
        here, goal = situation.here(), self._point or situation.here()
        if abs(here[2] - goal[2]) > _HEIGHT_REACHED_M:
            return False
        radius_m = item.params[1] if item.command == WAYPOINT and item.params[1] > 0 else _ACCEPTANCE_M
        if math.dist(here[:2], goal[:2]) > radius_m:
            return False
        if self._arrived_us is None:
            self._arrived_us = situation.now_us
        if item.command == LOITER_UNLIMITED:
            return False
        index = _WAITING.get(item.command)
        wait_s = 0.0 if index is None else max(0.0, item.params[index])
        return situation.now_us - self._arrived_us >= wait_s * 1e6

    def _finish(self, item: PlanItem, situation: Situation) -> None:
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


def _same(one: PlanItem, other: PlanItem) -> bool:
    """Whether two items say the same; a parameter that is not a number equals another one."""
    return repr(one) == repr(other)


def _goal(item: PlanItem, situation: Situation) -> Point:
    """Where an item leads: 0, 0 means where the craft is, and a landing begins at the height it has."""
    home = situation.home
    vantage = Vantage(situation.estimate, situation.plane(), None if home is None else home[2])
    here = situation.resting_point()
    latitude_deg, longitude_deg, _ = vantage.plane.to_geodetic(*here)
    placed = item.x != 0 or item.y != 0
    place_deg = (item.x / DEGREES, item.y / DEGREES) if placed else (latitude_deg, longitude_deg)
    goal = place_to_ned(place_deg, 0.0 if item.command == LAND else item.z, item.frame, vantage)
    north_m, east_m = goal[:2] if placed and item.command != TAKE_OFF else here[:2]
    return north_m, east_m, here[2] if item.command == LAND else goal[2]

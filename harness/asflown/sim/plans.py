"""What can be uploaded: a mission, a fence, rally points. What each accepts, and where it goes when it is complete.

A plan is replaced as a whole. Its identifier (`opaque_id`) is a checksum of its items, so that equal plans have
equal identifiers and an empty one has 0.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Callable, Sequence

from pymavlink.dialects.v20 import common as mav

from asflown.sim import fence
from asflown.sim.mission import DEGREES, FLOWN, JUMP, PLACED, Mission
from asflown.sim.plan_item import PlanItem
from asflown.sim.set_points import GLOBAL_FRAMES
from asflown.sim.situation import Situation

Items = tuple[PlanItem, ...]
ACCEPTED = int(mav.MAV_MISSION_ACCEPTED)
MISSION = int(mav.MAV_MISSION_TYPE_MISSION)
FENCE = int(mav.MAV_MISSION_TYPE_FENCE)
RALLY = int(mav.MAV_MISSION_TYPE_RALLY)
ALL = int(mav.MAV_MISSION_TYPE_ALL)
_RALLY_POINT = int(mav.MAV_CMD_NAV_RALLY_POINT)


class Plan:
    """One kind of plan: its items, what it accepts, and who is given it."""

    def __init__(
        self,
        commands: frozenset[int],
        placed: frozenset[int],
        whole: Callable[[Items], int],
        take: Callable[[Items], None],
    ) -> None:
        """`whole` judges a complete plan (MAV_MISSION_RESULT); `take` is given one that is accepted."""
        self.items: Items = ()
        self.opaque_id = 0
        self._commands, self._placed = commands, placed
        self._whole, self._take = whole, take

    def problem(self, item: PlanItem) -> int:
        """MAV_MISSION_RESULT of one item: accepted, or what is wrong with it."""
        if item.command not in self._commands:
            return int(mav.MAV_MISSION_UNSUPPORTED)
        if item.command not in self._placed:
            known = item.frame in GLOBAL_FRAMES or item.frame == mav.MAV_FRAME_MISSION
            return ACCEPTED if known else int(mav.MAV_MISSION_UNSUPPORTED_FRAME)
        if item.frame not in GLOBAL_FRAMES:
            return int(mav.MAV_MISSION_UNSUPPORTED_FRAME)
        if not abs(item.x) <= 90 * DEGREES:
            return int(mav.MAV_MISSION_INVALID_PARAM5_X)
        if not abs(item.y) <= 180 * DEGREES:
            return int(mav.MAV_MISSION_INVALID_PARAM6_Y)
        return ACCEPTED if math.isfinite(item.z) else int(mav.MAV_MISSION_INVALID_PARAM7)

    def put(self, items: Sequence[PlanItem]) -> int:
        """Replaces the plan, when it makes sense as a whole; returns MAV_MISSION_RESULT."""
        plan = tuple(items)
        result = self._whole(plan)
        if result == ACCEPTED:
            self.items, self.opaque_id = plan, identifier(plan)
            self._take(plan)
        return result


def identifier(plan: Items) -> int:
    """A checksum of a plan; 0 for an empty one, and for nothing else."""
    packed = b"".join(
        struct.pack("<HHffffiifB", i.frame, i.command, *i.params, i.x, i.y, i.z, i.autocontinue) for i in plan
    )
    return (zlib.crc32(packed) or 1) if plan else 0


def plans_of(mission: Mission, barrier: fence.Fence, situation: Situation) -> dict[int, Plan]:
    """The plans of one craft, by MAV_MISSION_TYPE."""

    def take_fence(items: Items) -> None:
        areas = fence.areas_of(items)
        barrier.areas = () if isinstance(areas, int) else areas

    def take_rally(items: Items) -> None:
        situation.rally_points = tuple((item.x / DEGREES, item.y / DEGREES) for item in items)

    rally = frozenset({_RALLY_POINT})
    return {
        MISSION: Plan(FLOWN, PLACED, _mission_as_a_whole, mission.store),
        FENCE: Plan(fence.COMMANDS, fence.COMMANDS, _fence_as_a_whole, take_fence),
        RALLY: Plan(rally, rally, lambda items: ACCEPTED, take_rally),
    }


def _fence_as_a_whole(items: Items) -> int:
    areas = fence.areas_of(items)
    return areas if isinstance(areas, int) else ACCEPTED


def _mission_as_a_whole(items: Items) -> int:
    """Jumps lead somewhere."""
    jumps = (item.params[0] for item in items if item.command == JUMP)
    there = all(math.isfinite(goal) and 0 <= goal < len(items) for goal in jumps)
    return ACCEPTED if there else int(mav.MAV_MISSION_INVALID_PARAM1)

"""The vehicle's own failsafes: what is watched, and what is done about it.

    tilt         beyond `tilt.failsafe` for 0.4 s                    land, emergency
    position     not valid for `position.loss`                       land
    estimator    a test ratio above 1 for `estimator.time`           `estimator.act`: land
    battery      below `battery.critical`                            land, emergency
                 below `battery.reserve`                             come home
    GNSS         no fix, nor a position from outside,
                 for `gnss.loss.time`                                `gnss.loss.act`: hold
    fence        outside, or about to be                             `fence.act`: hold
    ground       no heartbeat for `link.loss.time`                   `link.loss.act`: come home
    sticks       silent for `sticks.loss.time` while they fly        `sticks.loss.act`: come home

The graver stand first, and a later, graver one overrules an earlier one. Acts: 0 carry on, 1 hold, 2 come home,
3 land (`link.loss.act` and `sticks.loss.act`: 0 carry on, 1 come home, 2 land). They act in flight only, each
once until its cause has gone away (battery: until the next arming). In an emergency no command changes the mode.
None of them stops the motors in the air.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, cos, radians

from pymavlink.dialects.v20 import common as mav

from asflown.sim.fence import CEILING, Fence
from asflown.sim.identity import ModeName
from asflown.sim.modes import Mode
from asflown.sim.situation import Situation

_LINK_ACTS = {1: ModeName.SAFE_RECOVERY, 2: ModeName.LAND}
_ACTS = {1: ModeName.POSITION_HOLD, 2: ModeName.SAFE_RECOVERY, 3: ModeName.LAND}
_TILT_US = 400_000
_FIX_3D = int(mav.GPS_FIX_TYPE_3D_FIX)
_CRITICAL, _EMERGENCY = int(mav.MAV_SEVERITY_CRITICAL), int(mav.MAV_SEVERITY_EMERGENCY)
_GOING_DOWN = frozenset({ModeName.LAND, ModeName.SAFE_RECOVERY})


@dataclass(frozen=True, slots=True)
class Reaction:
    """The mode to change to (None: only say so), and what to tell people (severity as MAV_SEVERITY)."""

    mode: ModeName | None
    severity: int
    text: str


class Since:
    """How long something has been so, and whether that has been acted on."""

    __slots__ = ("_acted", "_since_us")

    def __init__(self) -> None:
        self._since_us: int | None = None
        self._acted = False

    def lasts(self, holds: bool, now_us: int, limit_us: float) -> bool:
        """True once, when it has held for `limit_us`; again only after it has not held."""
        if not holds:
            self._since_us, self._acted = None, False
            return False
        if self._since_us is None:
            self._since_us = now_us
        if self._acted or now_us - self._since_us < limit_us:
            return False
        self._acted = True
        return True


class Failsafes:
    """Watches one craft while it flies."""

    def __init__(self, fence: Fence) -> None:
        self.emergency = False
        """The craft is landing because it cannot do otherwise; no command may change the mode."""
        self._fence = fence
        self._reserve_seen = False
        self._heard_us: int | None = None
        self._link_lost = False
        self._forget()

    def armed(self) -> None:
        """A new flight begins."""
        self.emergency = self._reserve_seen = self._link_lost = False
        self._heard_us = None
        self._forget()

    def heard(self, now_us: int, *, in_air: bool) -> None:
        """A heartbeat from the ground. Its silence counts only once it has been heard in the air."""
        if in_air:
            self._heard_us, self._link_lost = now_us, False

    def tick(self, situation: Situation, mode: Mode) -> Reaction | None:
        """What must be done now, if anything."""
        if situation.core.on_ground:
            return None
        return (
            self._tilt(situation, mode)
            or self._position(situation, mode)
            or self._estimator(situation, mode)
            or self._battery(situation, mode)
            or self._gnss(situation, mode)
            or self._outside(situation, mode)
            or self._link(situation, mode)
            or self._sticks(situation, mode)
        )

    def _forget(self) -> None:
        self._tilted, self._astray, self._doubtful = Since(), Since(), Since()
        self._blind, self._beyond, self._unsteered = Since(), Since(), Since()

    def _tilt(self, situation: Situation, mode: Mode) -> Reaction | None:
        estimate, most_rad = situation.estimate, radians(situation.parameters["tilt.failsafe"])
        upright = cos(estimate.roll_rad) * cos(estimate.pitch_rad)
        if not self._tilted.lasts(upright < cos(most_rad), situation.now_us, _TILT_US):
            return None
        self.emergency = True
        tilt_deg = round(acos(upright) / radians(1.0))
        return Reaction(ModeName.LAND, _EMERGENCY, f"tilt {tilt_deg} deg: landing")

    def _position(self, situation: Situation, mode: Mode) -> Reaction | None:
        limit_us = situation.parameters["position.loss"] * 1e6
        lost = not situation.estimate.position_valid and mode.name is not ModeName.LAND
        if not self._astray.lasts(lost, situation.now_us, limit_us):
            return None
        return Reaction(ModeName.LAND, _EMERGENCY, "position lost: landing")

    def _estimator(self, situation: Situation, mode: Mode) -> Reaction | None:
        e = situation.estimate
        doubtful = (
            e.position_test_ratio > 1.0 or e.velocity_test_ratio > 1.0
            or e.height_test_ratio > 1.0 or e.heading_test_ratio > 1.0
        )  # fmt: skip
        if not self._doubtful.lasts(doubtful, situation.now_us, situation.parameters["estimator.time"] * 1e6):
            return None
        return _reaction("estimator disagrees with its sensors", situation, "estimator.act", mode)

    def _battery(self, situation: Situation, mode: Mode) -> Reaction | None:
        left = situation.core.readings.battery_remaining
        if left < situation.parameters["battery.critical"] and not self.emergency:
            self.emergency = self._reserve_seen = True
            if mode.landing:
                return None
            return Reaction(ModeName.LAND, _EMERGENCY, f"battery critical ({left:.0%}): landing")
        if left < situation.parameters["battery.reserve"] and not self._reserve_seen:
            self._reserve_seen = True
            if mode.name in _GOING_DOWN:
                return None
            return Reaction(ModeName.SAFE_RECOVERY, _CRITICAL, f"battery reserve ({left:.0%}): coming home")
        return None

    def _gnss(self, situation: Situation, mode: Mode) -> Reaction | None:
        lost = situation.core.readings.gnss_fix < _FIX_3D and not situation.estimate.position_fed
        if not self._blind.lasts(lost, situation.now_us, situation.parameters["gnss.loss.time"] * 1e6):
            return None
        return _reaction("no GNSS fix", situation, "gnss.loss.act", mode)

    def _outside(self, situation: Situation, mode: Mode) -> Reaction | None:
        breach = self._fence.look(situation)
        if not self._beyond.lasts(breach != 0, situation.now_us, 0.0):
            return None
        where = "ceiling" if breach == CEILING else "boundary"
        return _reaction(f"fence {where}", situation, "fence.act", mode)

    def _link(self, situation: Situation, mode: Mode) -> Reaction | None:
        if self._heard_us is None or self._link_lost or not mode.needs_link:
            return None
        if situation.now_us - self._heard_us < situation.parameters["link.loss.time"] * 1e6:
            return None
        self._link_lost = True
        act = _LINK_ACTS.get(int(situation.parameters["link.loss.act"]))
        if act is None:
            return None
        return Reaction(act, _CRITICAL, f"ground not heard: {act.words}")

    def _sticks(self, situation: Situation, mode: Mode) -> Reaction | None:
        sticks = situation.sticks
        flying = mode.name is ModeName.POSITION_HOLD and sticks.flown
        limit_us = situation.parameters["sticks.loss.time"] * 1e6
        silent = sticks.heard_us is not None and situation.now_us - sticks.heard_us >= limit_us
        if not self._unsteered.lasts(silent and flying, situation.now_us, 0.0):
            return None
        act = _LINK_ACTS.get(int(situation.parameters["sticks.loss.act"]))
        return Reaction(act, _CRITICAL, f"sticks not heard: {'holding' if act is None else act.words}")


def _reaction(what: str, situation: Situation, parameter: str, mode: Mode) -> Reaction | None:
    """The act of a parameter; a craft that comes home or lands already is not held up by a milder one."""
    act = _ACTS.get(int(situation.parameters[parameter]))
    if mode.name in _GOING_DOWN and act is not ModeName.LAND:
        return Reaction(None, _CRITICAL, what)
    return Reaction(act, _CRITICAL, f"{what}: {'carrying on' if act is None else act.words}")

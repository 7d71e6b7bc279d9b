"""The autopilot: arming, the mode that flies, changes of mode, failsafes, and what scripts may ask of it.

Requests are answered at once with a result of the command protocol (MAV_RESULT) and, when refused, with words
for people. Motors are never stopped in the air: neither by a command, forced or not, nor by any rule.
"""

from __future__ import annotations

from collections.abc import Callable

from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import Identity
from asflown.sim.answer import FAILED, NOT_NOW, YES, Answer
from asflown.sim.downlink import Downlink
from asflown.sim.failsafes import Failsafes, Reaction
from asflown.sim.fence import Fence
from asflown.sim.identity import ModeName, Numbering
from asflown.sim.interface import FlightCore, Target
from asflown.sim.mission import Mission
from asflown.sim.modes import Land, Mode, PositionHold, TakeOff
from asflown.sim.orbit import Orbit
from asflown.sim.parameters import Parameters
from asflown.sim.readiness import Obstacle, obstacles
from asflown.sim.recovery import SafeRecovery
from asflown.sim.set_point_mode import SetPointsMode, SetPointStream
from asflown.sim.set_points import SetPoint, Vantage
from asflown.sim.situation import Point, Situation, point_of

_TAKE_OVER_MESSAGES = 3
_PAUSABLE = frozenset({ModeName.POSITION_HOLD, ModeName.MISSION, ModeName.ORBIT})
_ARMABLE = frozenset({ModeName.POSITION_HOLD, ModeName.SET_POINTS, ModeName.MISSION})


class Autopilot:
    """Flies one craft. Texts for people go to `downlink`; `on_mode_change` is called after each change."""

    def __init__(
        self,
        core: FlightCore,
        numbering: Numbering,
        parameters: Parameters,
        identity: Identity,
        downlink: Downlink,
    ) -> None:
        self.core = core
        self.numbering = numbering
        self.parameters = parameters
        self.situation = Situation(core, parameters)
        self.on_mode_change: Callable[[], None] = lambda: None
        self.failsafe_active = False
        self._downlink = downlink
        self._stream = SetPointStream(identity)
        self.fence = Fence()
        self._failsafes = Failsafes(self.fence)
        self.hold, self.take_off, self.land = PositionHold(), TakeOff(), Land()
        self.set_points = SetPointsMode(self._stream, self._warn)
        self.mission, self.orbit = Mission(), Orbit()
        self.paused_at: Point | None = None
        """The point it was on its way to when it was told to pause; None when it is not paused."""
        modes: tuple[Mode, ...] = (
            self.hold, self.take_off, self.land, self.set_points, SafeRecovery(), self.mission,
            self.orbit,
        )  # fmt: skip
        self._modes: dict[ModeName, Mode] = {mode.name: mode for mode in modes}
        self.mode: Mode = self.hold
        self.intended = self.mode.name
        """The mode that was asked for; another one may fly after a failsafe."""
        self._ground_since_us: int | None = None

    @property
    def emergency(self) -> bool:
        """Whether it is landing because it cannot do otherwise."""
        return self.core.armed and self._failsafes.emergency

    @property
    def in_distress(self) -> bool:
        """Whether a failsafe has taken the craft down because there is no better way."""
        return self.emergency or (self.failsafe_active and self.mode is self.land)

    def vantage(self) -> Vantage:
        """From where positions in messages are resolved now."""
        home = self.situation.home
        return Vantage(self.core.estimate, self.situation.plane(), None if home is None else home[2])

    def tick(self, now_us: int) -> None:
        """10 ms of mode logic; the core's own tick comes after it."""
        situation = self.situation
        situation.now_us = now_us
        if not self.core.armed:
            if situation.home is None and self.core.estimate.position_valid:
                situation.home, situation.home_yaw_rad = situation.here(), self.core.estimate.yaw_rad
            return
        reaction = self._failsafes.tick(situation, self.mode)
        if reaction is not None:
            self._react(reaction)
        following = None if self.paused_at is not None else self.mode.tick(situation)
        if following is not None:
            self._follow(following)
        situation.step_turn()
        self._watch_ground()

    def arm(self) -> Answer:
        """Starts the motors, when every check passes. The place and heading of this moment become home."""
        if self.core.armed:
            return YES
        found = self.obstacles()
        if found:
            result = NOT_NOW if all(obstacle.passes for obstacle in found) else FAILED
            return Answer(result, f"arming refused: {found[0].text}")
        if self.mode.name not in _ARMABLE:
            return Answer(NOT_NOW, f"arming refused: mode is {self.mode.name.words}")
        refused = self.mode.refuses(self.situation)
        if refused:
            return Answer(NOT_NOW, f"arming refused: {refused}")
        refused = self.core.arm()
        if refused:
            return Answer(FAILED, f"arming refused: {refused}")
        self._begin_flight()
        return YES

    def disarm(self) -> Answer:
        """Stops the motors, on the ground only."""
        if not self.core.armed:
            return YES
        if not self.core.on_ground:
            return Answer(NOT_NOW, "disarming refused: in the air")
        self._end_flight("motors stopped")
        return YES

    def request_mode(self, name: ModeName) -> Answer:
        """Changes the mode."""
        mode = self._modes.get(name)
        if mode is None:
            return Answer(FAILED, f"mode {name.words} is not supported")
        if mode is self.mode:
            return YES
        refused = self.why_not(mode)
        if refused:
            return Answer(NOT_NOW, f"{name.words} refused: {refused}")
        self.intended = name
        self.failsafe_active = False
        self._change(mode)
        return YES

    def obstacles(self) -> list[Obstacle]:
        """What speaks against arming now."""
        return obstacles(self.situation, self.fence)

    def pause(self) -> Answer:
        """Stops where the craft comes to rest, in the mode that it is in, until it is told to go on."""
        if not self.core.armed or self.core.on_ground:
            return Answer(NOT_NOW, "pause refused: not flying")
        if self.mode.name not in _PAUSABLE or self.mode.landing:
            return Answer(NOT_NOW, f"pause refused: mode is {self.mode.name.words}")
        if self.paused_at is None:
            self.paused_at = point_of(self.core.target) or self.situation.resting_point()
            self.situation.fly_to(self.situation.resting_point())
        return YES

    def go_on(self) -> Answer:
        """Ends a pause; harmless without one."""
        point, self.paused_at = self.paused_at, None
        if point is None:
            return YES
        if self.mode is self.hold:
            self.hold.move(self.situation, point, None)
            return YES
        self.orbit.pause()
        self.mode.enter(self.situation)
        return YES

    def sticks_heard(self) -> None:
        """Sticks off centre for some messages take over in flight, where the parameter lets them."""
        sticks, mode = self.situation.sticks, self.mode
        if sticks.off_centre < _TAKE_OVER_MESSAGES or not self.core.armed or self.core.on_ground:
            return
        if mode is not self.hold and self.parameters["sticks.take.over"] and not self.why_not(self.hold):
            self._warn("sticks take over")
            self.request_mode(ModeName.POSITION_HOLD)

    def set_point(self, set_point: SetPoint) -> str:
        """Takes a set-point; returns '' or why it is not obeyed."""
        self._stream.note(self.situation.now_us)
        if self.mode is not self.set_points:
            return "" if self._stream.demanded else f"set-point ignored: mode is {self.mode.name.words}"
        if not self.core.armed:
            return "" if self._stream.demanded else "set-point ignored: not armed"
        self.set_points.obey(self.situation, set_point)
        return ""

    def ground_heard(self) -> None:
        """A heartbeat came from the ground."""
        self._failsafes.heard(self.situation.now_us, in_air=not self.core.on_ground)

    def why_not(self, mode: Mode) -> str:
        """Why the craft cannot change to `mode` now; '' when it can."""
        if self.emergency and mode is not self.land:
            return "landing in an emergency"
        if not self.core.armed and mode.name not in _ARMABLE:
            return mode.refuses(self.situation) or "arm first"
        if self.core.armed and mode is not self.land and not self.core.estimate.position_valid:
            return "no valid position"
        return mode.refuses(self.situation)

    def _warn(self, text: str) -> None:
        self._downlink.text(mav.MAV_SEVERITY_WARNING, text)

    def _change(self, mode: Mode) -> None:
        self.mode = mode
        self.paused_at = None
        self.situation.speed_limit_m_s = None
        self.situation.turn = None
        self._downlink.text(mav.MAV_SEVERITY_INFO, f"mode: {mode.name.words}")
        if self.core.armed:
            mode.enter(self.situation)
        self.on_mode_change()

    def _follow(self, name: ModeName) -> None:
        """A mode has done its work, or gives up: take-off to hold is as intended, the end of a stream is not."""
        if self.mode is not self.set_points:
            self.intended = name
        self._change(self._modes[name])

    def _react(self, reaction: Reaction) -> None:
        self._downlink.text(reaction.severity, reaction.text)
        if reaction.mode is None:
            return
        mode = self._modes[reaction.mode]
        if mode.refuses(self.situation) or not self.core.estimate.position_valid:
            mode = self.land
        self.failsafe_active = True
        if mode is self.hold:
            self.core.target = Target()  # where it was going does not matter any more
        if mode is not self.mode:
            self._change(mode)
        elif mode is self.hold:
            self.situation.sticks.locked = True
            mode.enter(self.situation)

    def _begin_flight(self) -> None:
        situation, estimate = self.situation, self.core.estimate
        situation.home, situation.home_yaw_rad = situation.here(), estimate.yaw_rad
        situation.keep_yaw(estimate.yaw_rad)
        self._failsafes.armed()
        self.failsafe_active = False
        self._ground_since_us = situation.now_us
        self._downlink.text(mav.MAV_SEVERITY_INFO, "motors running")
        self.mode.enter(situation)

    def _end_flight(self, text: str) -> None:
        self.core.disarm()
        self.failsafe_active = False
        self._downlink.text(mav.MAV_SEVERITY_INFO, text)
        if self.mode.name not in _ARMABLE or self.mode.landing:
            self.intended = ModeName.POSITION_HOLD
            self._change(self.hold)

    def _watch_ground(self) -> None:
        """Stops the motors after a landing, and when nothing comes of arming."""
        if not self.core.armed or not self.core.on_ground:
            self._ground_since_us = None
            return
        now_us = self.situation.now_us
        if self._ground_since_us is None:
            self._ground_since_us = now_us
        rested_us = now_us - self._ground_since_us
        if self.mode.landing and rested_us >= self.parameters["ground.time"] * 1e6:
            self._end_flight("landed: motors stopped")
        elif rested_us >= self.parameters["idle.time"] * 1e6:
            self._end_flight("idle on the ground: motors stopped")

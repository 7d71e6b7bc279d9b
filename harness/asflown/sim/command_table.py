"""The commands that the craft knows, and how their parameters are read.

Altitudes: in a COMMAND_INT the frame says what they mean. A COMMAND_LONG has no frame, and scripts differ (common
practice, no source): a take-off's altitude is taken as height above the ground it stands on, any other one as
above mean sea level. Yaw and place of a take-off are not used: it goes straight up.
"""

from __future__ import annotations

import math

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.sim.answer import (
    ACCEPTED,
    COMMAND_INT_ONLY,
    DENIED,
    FAILED,
    NOT_NOW,
    UNSUPPORTED_FRAME,
    YES,
    Answer,
)
from asflown.sim.autopilot import Autopilot
from asflown.sim.commands import Command, Handler
from asflown.sim.fault_commands import FaultCommands
from asflown.sim.identity import STANDARD_MODES, ModeName
from asflown.sim.mission_service import MissionService
from asflown.sim.orbit import Facing, Order
from asflown.sim.requests import PartOfPoint, Requests
from asflown.sim.set_points import ABOVE_HOME, GLOBAL_FRAMES, SetPointRefused, place_to_ned
from asflown.sim.situation import Point

_MODE_OF_STANDARD = {number: mode for mode, number in STANDARD_MODES.items()}
_MAV_FRAME_LOCAL = mav.MAV_FRAME_LOCAL_NED
_FACING: dict[int | None, Facing] = {int(facing): facing for facing in Facing}
_HEADING_FRAMES = GLOBAL_FRAMES | {None}


class CommandTable:
    """Reads the parameters of each command and puts the request."""

    def __init__(self, autopilot: Autopilot, missions: MissionService) -> None:
        self._autopilot = autopilot
        self._requests = Requests(autopilot)
        self._missions = missions

    def handlers(self) -> dict[int, Handler]:
        """By MAV_CMD."""
        return {
            mav.MAV_CMD_NAV_RETURN_TO_LAUNCH: self._return,
            mav.MAV_CMD_NAV_LAND: self._land,
            mav.MAV_CMD_NAV_TAKEOFF: self._take_off,
            mav.MAV_CMD_NAV_TAKEOFF_LOCAL: self._take_off_local,
            mav.MAV_CMD_CONDITION_YAW: self._yaw,
            mav.MAV_CMD_DO_SET_MODE: self._set_mode,
            mav.MAV_CMD_DO_CHANGE_SPEED: self._change_speed,
            mav.MAV_CMD_DO_SET_HOME: self._set_home,
            mav.MAV_CMD_DO_REPOSITION: self._reposition,
            mav.MAV_CMD_DO_SET_MISSION_CURRENT: self._mission_current,
            development.MAV_CMD_DO_SET_STANDARD_MODE: self._standard_mode,
            mav.MAV_CMD_MISSION_START: self._mission_start,
            mav.MAV_CMD_COMPONENT_ARM_DISARM: self._arm,
            mav.MAV_CMD_DO_ORBIT: self._orbit,
            mav.MAV_CMD_DO_PAUSE_CONTINUE: self._pause_or_go_on,
            mav.MAV_CMD_DO_FENCE_ENABLE: self._fence_enable,
            mav.MAV_CMD_INJECT_FAILURE: FaultCommands(self._autopilot.core).inject,
        }

    # --- modes and arming ---

    def _arm(self, command: Command) -> Answer:
        """Parameter 2, the number that forces, changes nothing: checks hold, and motors run on in the air."""
        wanted = command.whole(1)
        if wanted not in (0, 1):
            return Answer(DENIED)
        return self._autopilot.arm() if wanted else self._autopilot.disarm()

    def _set_mode(self, command: Command) -> Answer:
        flags, main, sub = command.whole(1), command.whole(2), command.whole(3) or 0
        if flags is None or main is None:
            return Answer(DENIED)
        return self.set_mode(flags, main, sub)

    def set_mode(self, flags: int, main: int, sub: int = 0) -> Answer:
        """A custom mode, by its packed number or by main and sub; base modes alone mean nothing here."""
        if not flags & mav.MAV_MODE_FLAG_CUSTOM_MODE_ENABLED:
            return Answer(DENIED, "mode refused: only custom modes, flag 1 set")
        mode = self._autopilot.numbering.mode_of_command(main, sub)
        if mode is None:
            return Answer(DENIED, f"mode refused: there is no mode {main}" + (f", {sub}" if sub else ""))
        return self._autopilot.request_mode(mode)

    def _standard_mode(self, command: Command) -> Answer:
        mode = _MODE_OF_STANDARD.get(command.whole(1) or 0)
        return Answer(FAILED) if mode is None else self._autopilot.request_mode(mode)

    def _return(self, command: Command) -> Answer:
        return self._autopilot.request_mode(ModeName.SAFE_RECOVERY)

    # --- flying ---

    def _take_off(self, command: Command) -> Answer:
        if command.frame is not None and command.frame not in GLOBAL_FRAMES:
            return Answer(UNSUPPORTED_FRAME)
        altitude_m = command.given(7)
        if altitude_m is None or command.frame is None or command.frame in ABOVE_HOME:
            return self._requests.take_off(altitude_m)
        estimate = self._autopilot.core.estimate
        if not estimate.origin_known:
            return Answer(DENIED, "take-off refused: no origin, an altitude above the sea means nothing")
        return self._requests.take_off(altitude_m - (estimate.origin_altitude_m - estimate.down_m))

    def _take_off_local(self, command: Command) -> Answer:
        if command.frame not in (None, _MAV_FRAME_LOCAL):
            return Answer(UNSUPPORTED_FRAME)
        down_m = command.given(7)
        here_m = self._autopilot.core.estimate.down_m
        return self._requests.take_off(None if down_m is None else here_m - down_m)

    def _land(self, command: Command) -> Answer:
        if command.frame not in _HEADING_FRAMES:
            return Answer(UNSUPPORTED_FRAME)
        latitude_deg, longitude_deg = command.given(5), command.given(6)
        if not latitude_deg or not longitude_deg:
            return self._requests.land(None)
        if not _on_earth(latitude_deg, longitude_deg):
            return Answer(DENIED)
        plane = self._autopilot.situation.plane()
        if not self._autopilot.core.estimate.origin_known:
            return Answer(DENIED, "land refused: no origin, latitude and longitude mean nothing")
        north_m, east_m, _ = plane.to_ned(latitude_deg, longitude_deg, plane.height_m)
        return self._requests.land((north_m, east_m))

    def _reposition(self, command: Command) -> Answer:
        if command.frame not in _HEADING_FRAMES:
            return Answer(UNSUPPORTED_FRAME)
        flags, speed_m_s, yaw_rad = command.whole(2) or 0, command.given(1), command.given(4)
        change_mode = bool(flags & mav.MAV_DO_REPOSITION_FLAGS_CHANGE_MODE)
        answer = self._requests.may_reposition(change_mode)
        if answer is not YES:
            return answer
        try:
            part = self._part_of_point(command)
        except SetPointRefused as refused:
            return Answer(DENIED, str(refused))
        if yaw_rad is not None and flags & mav.MAV_DO_REPOSITION_FLAGS_RELATIVE_YAW:
            yaw_rad += self._autopilot.core.estimate.yaw_rad
        speed_m_s = speed_m_s if speed_m_s is not None and speed_m_s > 0 else None
        return self._requests.reposition(part, yaw_rad, speed_m_s, change_mode)

    def _part_of_point(self, command: Command) -> PartOfPoint:
        latitude_deg, longitude_deg, altitude_m = command.given(5), command.given(6), command.given(7)
        vantage = self._autopilot.vantage()
        frame = mav.MAV_FRAME_GLOBAL if command.frame is None else command.frame
        here_deg = vantage.plane.to_geodetic(*self._autopilot.situation.here())
        place_deg = here_deg[0], here_deg[1]
        if latitude_deg is not None and longitude_deg is not None:
            place_deg = latitude_deg, longitude_deg
        if not _on_earth(*place_deg):
            raise SetPointRefused("reposition refused: no such place")
        point = place_to_ned(place_deg, 0.0 if altitude_m is None else altitude_m, frame, vantage)
        placed = latitude_deg is not None and longitude_deg is not None
        north_m, east_m = point[:2] if placed else (None, None)
        return north_m, east_m, None if altitude_m is None else point[2]

    def _yaw(self, command: Command) -> Answer:
        angle_deg, rate_deg_s, direction = command.given(1), command.given(2), command.whole(3)
        relative = command.whole(4)
        if angle_deg is None or direction not in (-1, 0, 1) or relative not in (0, 1):
            return Answer(DENIED)
        if not abs(angle_deg) <= 360.0:
            return Answer(DENIED)
        rate_rad_s = math.radians(rate_deg_s) if rate_deg_s is not None and rate_deg_s > 0 else None
        return self._requests.turn_to(math.radians(angle_deg), direction, rate_rad_s, bool(relative))

    def _change_speed(self, command: Command) -> Answer:
        speed_m_s = command.given(2)
        if command.whole(1) != mav.SPEED_TYPE_GROUNDSPEED:
            return Answer(DENIED, "speed refused: ground speed only")
        if speed_m_s is None or (speed_m_s < 0 and speed_m_s not in (-1.0, -2.0)):
            return Answer(DENIED)
        if speed_m_s == -1.0:
            return Answer(ACCEPTED)
        return self._requests.change_speed(None if speed_m_s == -2.0 else speed_m_s)

    def _set_home(self, command: Command) -> Answer:
        here = command.whole(1)
        if here == 1:
            return self._requests.set_home(None)
        if here != 0:
            return Answer(DENIED)
        if command.frame is None:
            return Answer(COMMAND_INT_ONLY)
        if command.frame not in GLOBAL_FRAMES:
            return Answer(UNSUPPORTED_FRAME)
        try:
            part = self._part_of_point(command)
        except SetPointRefused as refused:
            return Answer(DENIED, str(refused))
        point = _whole_point(part)
        return Answer(DENIED) if point is None else self._requests.set_home(point)

    def _orbit(self, command: Command) -> Answer:
        """A centre needs the scaled integers of a COMMAND_INT; without one it is where the nose points."""
        if command.frame not in _HEADING_FRAMES:
            return Answer(UNSUPPORTED_FRAME)
        radius_m, speed_m_s, turn_rad = command.given(1), command.given(2), command.given(4)
        facing = _FACING.get(command.whole(3) if command.given(3) is not None else 0)
        if facing is None or radius_m == 0.0 or (speed_m_s is not None and speed_m_s <= 0.0):
            return Answer(DENIED)
        given = command.given(5), command.given(6)
        if command.frame is None and any(given):
            return Answer(COMMAND_INT_ONLY)
        if self._autopilot.vantage().home_down_m is None:
            return Answer(NOT_NOW, "orbit refused: no home yet")
        try:
            north_m, east_m, down_m = self._part_of_point(command)
        except SetPointRefused as refused:
            return Answer(DENIED, str(refused))
        in_integers = command.frame is not None
        centre = (north_m, east_m) if in_integers and north_m is not None and east_m is not None else None
        return self._requests.orbit(
            Order(
                centre, down_m if in_integers else None, None if radius_m is None else abs(radius_m),
                clockwise=radius_m is None or radius_m > 0.0, speed_m_s=speed_m_s, facing=facing,
                turn_rad=abs(turn_rad or 0.0),
            )
        )  # fmt: skip

    def _pause_or_go_on(self, command: Command) -> Answer:
        wanted = command.whole(1)
        if wanted not in (0, 1):
            return Answer(DENIED)
        return self._autopilot.go_on() if wanted else self._autopilot.pause()

    def _fence_enable(self, command: Command) -> Answer:
        """0 off, 1 on; switching off parts of it (2) is not supported."""
        wanted = command.whole(1)
        if wanted not in (0, 1):
            return Answer(DENIED)
        self._autopilot.fence.enabled = bool(wanted)
        return YES

    # --- missions ---

    def _mission_start(self, command: Command) -> Answer:
        first = command.whole(1) or 0
        if not self._autopilot.core.armed:
            return Answer(NOT_NOW, "mission refused: arm first")
        if not self._missions.set_current(first):
            return Answer(DENIED, f"mission refused: there is no item {first}")
        return self._autopilot.request_mode(ModeName.MISSION)

    def _mission_current(self, command: Command) -> Answer:
        index = command.whole(1)
        if index is None or not self._missions.set_current(index, afresh=command.params[1] == 1.0):
            return Answer(DENIED)
        return Answer(ACCEPTED)


def _on_earth(latitude_deg: float, longitude_deg: float) -> bool:
    return abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0


def _whole_point(part: PartOfPoint) -> Point | None:
    north_m, east_m, down_m = part
    if north_m is None or east_m is None or down_m is None:
        return None
    return north_m, east_m, down_m

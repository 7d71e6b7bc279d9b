"""The mission protocol as the vehicle's side of it: upload, download, clear, current item.

One transfer at a time. Any error ends it for both sides and leaves the stored plan as it was. Items come in
order; another one than asked for is dropped and the right one asked for again. Fences and rally points are not
supported, and said so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from pymavlink.dialects.v20 import common as mav

from asflown.sim.downlink import Downlink
from asflown.sim.mission import FLOWN, ITEM_FRAMES, PLACED, Mission, MissionItem

MOST_ITEMS = 250
_REPEAT_US = 250_000
_REPEATS = 5
_MISSION = mav.MAV_MISSION_TYPE_MISSION


@dataclass(slots=True)
class Upload:
    """A plan on its way up: from whom, how many items, and what has come."""

    peer: tuple[int, int]
    count: int
    asked_us: int
    repeats_left: int = _REPEATS
    items: list[MissionItem] = field(default_factory=list)


class MissionService:
    """Answers mission messages. `flying` tells whether the plan is being flown and must stay."""

    def __init__(self, mission: Mission, downlink: Downlink, flying: Callable[[], bool]) -> None:
        self._mission = mission
        self._downlink = downlink
        self._flying = flying
        self._upload: Upload | None = None
        self._said_current: tuple[int, int] | None = (0, 0)

    def count(self, message: mav.MAVLink_mission_count_message, now_us: int) -> None:
        """MISSION_COUNT: an upload begins."""
        peer = message.get_srcSystem(), message.get_srcComponent()
        if message.mission_type != _MISSION:
            self._ack(peer, mav.MAV_MISSION_UNSUPPORTED, message.mission_type)
        elif self._flying() or (self._upload is not None and self._upload.peer != peer):
            self._ack(peer, mav.MAV_MISSION_DENIED)
        elif message.count > MOST_ITEMS:
            self._ack(peer, mav.MAV_MISSION_NO_SPACE)
        elif message.count == 0:
            self._mission.store(())
            self._ack(peer, mav.MAV_MISSION_ACCEPTED)
        else:
            self._upload = Upload(peer, message.count, now_us)
            self._ask()

    def item(
        self, message: mav.MAVLink_mission_item_int_message | mav.MAVLink_mission_item_message, now_us: int
    ) -> None:
        """MISSION_ITEM_INT, or the older MISSION_ITEM: one item of the upload."""
        upload = self._upload
        peer = message.get_srcSystem(), message.get_srcComponent()
        if upload is None or upload.peer != peer:
            return
        upload.asked_us, upload.repeats_left = now_us, _REPEATS
        if message.seq == len(upload.items):
            error = _problem(message)
            if error != mav.MAV_MISSION_ACCEPTED:
                self._end_upload(error)
                return
            upload.items.append(_stored(message))
        if len(upload.items) < upload.count:
            self._ask()
            return
        self._mission.store(tuple(upload.items))
        self._end_upload(mav.MAV_MISSION_ACCEPTED)

    def request_list(self, message: mav.MAVLink_mission_request_list_message) -> None:
        """MISSION_REQUEST_LIST: a download begins. Of fences and rally points there are none."""
        peer = message.get_srcSystem(), message.get_srcComponent()
        count = len(self._mission.plan) if message.mission_type == _MISSION else 0
        self._downlink.send(mav.MAVLink_mission_count_message(*peer, count, message.mission_type))

    def request(
        self, message: mav.MAVLink_mission_request_int_message | mav.MAVLink_mission_request_message
    ) -> None:
        """MISSION_REQUEST_INT, or the older MISSION_REQUEST: one item of a download, always as INT."""
        peer = message.get_srcSystem(), message.get_srcComponent()
        plan = self._mission.plan if message.mission_type == _MISSION else ()
        if message.seq >= len(plan):
            self._ack(peer, mav.MAV_MISSION_INVALID_SEQUENCE, message.mission_type)
            return
        item, seq = plan[message.seq], message.seq
        current = int(seq == self._mission.current)
        self._downlink.send(
            mav.MAVLink_mission_item_int_message(
                *peer, seq, item.frame, item.command, current, item.autocontinue,
                *item.params, item.x, item.y, item.z, _MISSION,
            )
        )  # fmt: skip

    def clear_all(self, message: mav.MAVLink_mission_clear_all_message) -> None:
        """MISSION_CLEAR_ALL of the mission, or of everything."""
        peer = message.get_srcSystem(), message.get_srcComponent()
        if message.mission_type in (_MISSION, mav.MAV_MISSION_TYPE_ALL):
            if self._flying():
                self._ack(peer, mav.MAV_MISSION_DENIED, message.mission_type)
                return
            self._upload = None
            self._mission.store(())
        self._ack(peer, mav.MAV_MISSION_ACCEPTED, message.mission_type)

    def ack(self, message: mav.MAVLink_mission_ack_message) -> None:
        """MISSION_ACK from the ground: an error, or a cancellation, ends the upload."""
        peer = message.get_srcSystem(), message.get_srcComponent()
        failed = message.type != mav.MAV_MISSION_ACCEPTED
        if failed and self._upload is not None and self._upload.peer == peer:
            self._upload = None

    def set_current(self, index: int) -> bool:
        """Goes on with another item; success shows as MISSION_CURRENT."""
        done = self._mission.set_current(index)
        self._said_current = None
        return done

    def current_message(self) -> mav.MAVLink_mission_current_message:
        """MISSION_CURRENT as it is now."""
        mission = self._mission
        state = mav.MISSION_STATE_NOT_STARTED
        if not mission.plan:
            state = mav.MISSION_STATE_NO_MISSION
        elif mission.complete:
            state = mav.MISSION_STATE_COMPLETE
        elif self._flying():
            state = mav.MISSION_STATE_ACTIVE
        return mav.MAVLink_mission_current_message(mission.current, len(mission.plan), state, 0)

    def tick(self, now_us: int) -> None:
        """Says what was reached, and asks again for an item that does not come."""
        mission = self._mission
        if mission.reached:
            for index in mission.reached:
                self._downlink.send(mav.MAVLink_mission_item_reached_message(index))
            mission.reached.clear()
        current = (mission.current, len(mission.plan))
        if current != self._said_current:
            self._said_current = current
            self._downlink.send(self.current_message())
        upload = self._upload
        if upload is None or now_us - upload.asked_us < _REPEAT_US:
            return
        upload.asked_us, upload.repeats_left = now_us, upload.repeats_left - 1
        if upload.repeats_left < 0:
            self._end_upload(mav.MAV_MISSION_ERROR)
        else:
            self._ask()

    def _ask(self) -> None:
        if self._upload is not None:
            seq = len(self._upload.items)
            self._downlink.send(mav.MAVLink_mission_request_int_message(*self._upload.peer, seq, _MISSION))

    def _end_upload(self, result: int) -> None:
        if self._upload is not None:
            self._ack(self._upload.peer, result)
        self._upload = None

    def _ack(self, peer: tuple[int, int], result: int, mission_type: int = _MISSION) -> None:
        self._downlink.send(mav.MAVLink_mission_ack_message(*peer, result, mission_type))


def _problem(message: mav.MAVLink_mission_item_int_message | mav.MAVLink_mission_item_message) -> int:
    """MAV_MISSION_RESULT of one item: accepted, or why the upload ends here."""
    if message.mission_type != _MISSION or message.command not in FLOWN:
        return int(mav.MAV_MISSION_UNSUPPORTED)
    frames = ITEM_FRAMES - {mav.MAV_FRAME_MISSION} if message.command in PLACED else ITEM_FRAMES
    if message.frame not in frames:
        return int(mav.MAV_MISSION_UNSUPPORTED_FRAME)
    return _problem_of_place(message) if message.command in PLACED else int(mav.MAV_MISSION_ACCEPTED)


def _problem_of_place(
    message: mav.MAVLink_mission_item_int_message | mav.MAVLink_mission_item_message,
) -> int:
    latitude_deg, longitude_deg = _degrees(message)
    if not abs(latitude_deg) <= 90.0:
        return int(mav.MAV_MISSION_INVALID_PARAM5_X)
    if not abs(longitude_deg) <= 180.0:
        return int(mav.MAV_MISSION_INVALID_PARAM6_Y)
    if not math.isfinite(message.z):
        return int(mav.MAV_MISSION_INVALID_PARAM7)
    return int(mav.MAV_MISSION_ACCEPTED)


def _degrees(
    message: mav.MAVLink_mission_item_int_message | mav.MAVLink_mission_item_message,
) -> tuple[float, float]:
    scale = 1e7 if message.get_msgId() == mav.MAVLINK_MSG_ID_MISSION_ITEM_INT else 1.0
    return message.x / scale, message.y / scale


def _stored(
    message: mav.MAVLink_mission_item_int_message | mav.MAVLink_mission_item_message,
) -> MissionItem:
    latitude_deg, longitude_deg = _degrees(message) if message.command in PLACED else (0.0, 0.0)
    return MissionItem(
        frame=message.frame,
        command=message.command,
        params=(message.param1, message.param2, message.param3, message.param4),
        x=round(latitude_deg * 1e7),
        y=round(longitude_deg * 1e7),
        z=message.z,
        autocontinue=message.autocontinue,
    )

"""The mission protocol as the vehicle's side of it: upload, partial upload, download, clear, current item.

Missions, fences and rally points, each a plan of its own. One upload at a time. Any error ends it for both sides
and leaves the stored plan as it was. Items come in order; another one than asked for is dropped and the right one
asked for again. A mission may be replaced while it is flown (`Mission.store` says what happens then).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.sim import longer
from asflown.sim.downlink import Downlink
from asflown.sim.mission import DEGREES, Mission
from asflown.sim.plan_item import PlanItem
from asflown.sim.plans import ALL, FENCE, MISSION, RALLY, Plan

MOST_ITEMS = 250
_REPEAT_US = 250_000
_REPEATS = 5
_IN_MISSION_MODE, _SUSPENDED = 1, 2


@dataclass(slots=True)
class Upload:
    """A plan on its way up: from whom, which items, and what has come."""

    peer: tuple[int, int]
    mission_type: int
    first: int
    count: int
    asked_us: int
    whole: bool = True
    repeats_left: int = _REPEATS
    items: list[PlanItem] = field(default_factory=list)

    @property
    def wanted(self) -> int:
        """The number of the item that is due."""
        return self.first + len(self.items)


class MissionService:
    """Answers mission messages. `flying` tells whether the mission is being flown, `paused` whether it stands."""

    def __init__(
        self, mission: Mission, plans: dict[int, Plan], downlink: Downlink,
        flying: Callable[[], bool], paused: Callable[[], bool] = lambda: False,
    ) -> None:  # fmt: skip
        self._mission = mission
        self._plans = plans
        self._downlink = downlink
        self._flying, self._paused = flying, paused
        self._upload: Upload | None = None
        self._said_current: tuple[int, int] | None = (0, 0)

    def count(self, message: mav.MAVLink_mission_count_message, now_us: int) -> None:
        """MISSION_COUNT: an upload begins."""
        peer, mission_type = _peer(message), message.mission_type
        refused = self._refused(peer, mission_type)
        if refused:
            self._ack(peer, refused, mission_type)
        elif message.count > MOST_ITEMS:
            self._ack(peer, mav.MAV_MISSION_NO_SPACE, mission_type)
        elif message.count == 0:
            self._ack(peer, self._plans[mission_type].put(()), mission_type)
        else:
            self._upload = Upload(peer, mission_type, 0, message.count, now_us)
            self._ask()

    def write_partial(self, message: mav.MAVLink_mission_write_partial_list_message, now_us: int) -> None:
        """MISSION_WRITE_PARTIAL_LIST: some items of the stored plan are replaced, once all of them have come."""
        peer, mission_type = _peer(message), message.mission_type
        refused = self._refused(peer, mission_type)
        stored = len(self._plans[mission_type].items) if mission_type in self._plans else 0
        first, last = message.start_index, message.end_index
        if not refused and not 0 <= first <= last < stored:
            refused = mav.MAV_MISSION_INVALID_SEQUENCE
        if refused:
            self._ack(peer, refused, mission_type)
            return
        self._upload = Upload(peer, mission_type, first, last - first + 1, now_us, whole=False)
        self._ask()

    def item(
        self, message: mav.MAVLink_mission_item_int_message | mav.MAVLink_mission_item_message, now_us: int
    ) -> None:
        """MISSION_ITEM_INT, or the older MISSION_ITEM: one item of the upload."""
        upload = self._upload
        if upload is None or upload.peer != _peer(message) or upload.mission_type != message.mission_type:
            return
        upload.asked_us, upload.repeats_left = now_us, _REPEATS
        if message.seq == upload.wanted:
            item = _stored(message)
            error = self._plans[upload.mission_type].problem(item)
            if error != mav.MAV_MISSION_ACCEPTED:
                self._end_upload(error)
                return
            upload.items.append(item)
        if len(upload.items) < upload.count:
            self._ask()
            return
        self._end_upload(self._plans[upload.mission_type].put(self._completed(upload)))

    def request_list(self, message: mav.MAVLink_mission_request_list_message) -> None:
        """MISSION_REQUEST_LIST: a download begins."""
        plan = self._plans.get(message.mission_type)
        if plan is None:
            self._ack(_peer(message), mav.MAV_MISSION_UNSUPPORTED, message.mission_type)
            return
        self._downlink.send(
            mav.MAVLink_mission_count_message(*_peer(message), len(plan.items), message.mission_type)
        )

    def request(
        self, message: mav.MAVLink_mission_request_int_message | mav.MAVLink_mission_request_message
    ) -> None:
        """MISSION_REQUEST_INT, or the older MISSION_REQUEST: one item of a download, always as INT."""
        plan = self._plans.get(message.mission_type)
        if plan is None or message.seq >= len(plan.items):
            self._ack(_peer(message), mav.MAV_MISSION_INVALID_SEQUENCE, message.mission_type)
            return
        self._send_item(_peer(message), message.mission_type, message.seq)

    def request_partial(self, message: mav.MAVLink_mission_request_partial_list_message) -> None:
        """MISSION_REQUEST_PARTIAL_LIST (deprecated): the items themselves; an end of -1 is the last one."""
        plan = self._plans.get(message.mission_type)
        stored = 0 if plan is None else len(plan.items)
        last = stored - 1 if message.end_index == -1 else message.end_index
        if not 0 <= message.start_index <= last < stored:
            self._ack(_peer(message), mav.MAV_MISSION_INVALID_SEQUENCE, message.mission_type)
            return
        for seq in range(message.start_index, last + 1):
            self._send_item(_peer(message), message.mission_type, seq)

    def clear_all(self, message: mav.MAVLink_mission_clear_all_message) -> None:
        """MISSION_CLEAR_ALL of one plan, or of all."""
        asked = message.mission_type
        if asked != ALL and asked not in self._plans:
            self._ack(_peer(message), mav.MAV_MISSION_UNSUPPORTED, asked)
            return
        self._upload = None
        for mission_type, plan in self._plans.items():
            if asked in (ALL, mission_type):
                plan.put(())
        self._ack(_peer(message), mav.MAV_MISSION_ACCEPTED, asked)

    def ack(self, message: mav.MAVLink_mission_ack_message) -> None:
        """MISSION_ACK from the ground: an error, or a cancellation, ends the upload."""
        failed = message.type != mav.MAV_MISSION_ACCEPTED
        if failed and self._upload is not None and self._upload.peer == _peer(message):
            self._upload = None

    def set_current(self, index: int, *, afresh: bool = False) -> bool:
        """Goes on with another item, `afresh` with jumps not counted; success shows as MISSION_CURRENT."""
        if afresh:
            self._mission.restart()
        done = self._mission.set_current(index)
        self._said_current = None
        return done

    def current_message(self) -> longer.Longer:
        """MISSION_CURRENT as it is now."""
        mission = self._mission
        state = mav.MISSION_STATE_NOT_STARTED
        if not mission.plan:
            state = mav.MISSION_STATE_NO_MISSION
        elif mission.complete:
            state = mav.MISSION_STATE_COMPLETE
        elif self._flying():
            state = mav.MISSION_STATE_PAUSED if self._paused() else mav.MISSION_STATE_ACTIVE
        elif mission.begun:
            state = mav.MISSION_STATE_PAUSED
        message = mav.MAVLink_mission_current_message(
            mission.current, len(mission.plan), state, _IN_MISSION_MODE if self._flying() else _SUSPENDED
        )
        plans = self._plans
        return longer.mission_current(
            message, (plans[MISSION].opaque_id, plans[FENCE].opaque_id, plans[RALLY].opaque_id)
        )

    def tick(self, now_us: int) -> None:
        """Says what was reached, and asks again for an item that does not come."""
        mission = self._mission
        if mission.reached:
            for index in mission.reached:
                self._downlink.send(mav.MAVLink_mission_item_reached_message(index))
            mission.reached.clear()
        current = (mission.current, self._plans[MISSION].opaque_id)
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

    def _refused(self, peer: tuple[int, int], mission_type: int) -> int:
        """Why no upload of this kind may begin; 0 (accepted) when it may."""
        if mission_type not in self._plans:
            return int(mav.MAV_MISSION_UNSUPPORTED)
        busy = self._upload is not None and self._upload.peer != peer
        return int(mav.MAV_MISSION_DENIED if busy else mav.MAV_MISSION_ACCEPTED)

    def _completed(self, upload: Upload) -> list[PlanItem]:
        if upload.whole:
            return upload.items
        stored = list(self._plans[upload.mission_type].items)
        stored[upload.first : upload.first + upload.count] = upload.items
        return stored

    def _ask(self) -> None:
        upload = self._upload
        if upload is not None:
            self._downlink.send(
                mav.MAVLink_mission_request_int_message(*upload.peer, upload.wanted, upload.mission_type)
            )

    def _end_upload(self, result: int) -> None:
        upload = self._upload
        if upload is not None:
            self._ack(upload.peer, result, upload.mission_type)
        self._upload = None

    def _send_item(self, peer: tuple[int, int], mission_type: int, seq: int) -> None:
        item = self._plans[mission_type].items[seq]
        current = int(mission_type == MISSION and seq == self._mission.current)
        self._downlink.send(
            mav.MAVLink_mission_item_int_message(
                *peer, seq, item.frame, item.command, current, item.autocontinue,
                *item.params, item.x, item.y, item.z, mission_type,
            )
        )  # fmt: skip

    def _ack(self, peer: tuple[int, int], result: int, mission_type: int) -> None:
        plan = self._plans.get(mission_type)
        self._downlink.send(
            longer.mission_ack(peer, result, mission_type, 0 if plan is None else plan.opaque_id)
        )


def _peer(message: Any) -> tuple[int, int]:
    return message.get_srcSystem(), message.get_srcComponent()


def _scaled(value: float, scale: int) -> int:
    """A value that is no place on earth stays one, whatever its size, and is refused as such."""
    most = 360 * DEGREES
    return round(value * scale) if abs(value * scale) < most else most


def _stored(
    message: mav.MAVLink_mission_item_int_message | mav.MAVLink_mission_item_message,
) -> PlanItem:
    scale = 1 if message.get_msgId() == mav.MAVLINK_MSG_ID_MISSION_ITEM_INT else DEGREES
    return PlanItem(
        frame=message.frame,
        command=message.command,
        params=(message.param1, message.param2, message.param3, message.param4),
        x=_scaled(message.x, scale),
        y=_scaled(message.y, scale),
        z=message.z,
        autocontinue=message.autocontinue,
    )

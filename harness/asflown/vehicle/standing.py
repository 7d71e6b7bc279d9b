"""Whether a vehicle flies, from the frames it sends: just what is needed to bring it down and to know that it is."""

from __future__ import annotations

from pymavlink.dialects.v20 import common

from asflown.link import wire

_ARMED = 0x80


class VehicleStanding:
    """Reads HEARTBEAT of the autopilot and EXTENDED_SYS_STATE."""

    def __init__(self) -> None:
        self.system = self.component = 0
        """Of the autopilot; 0 until it was heard."""
        self.heartbeat_us: int | None = None
        self.armed = False
        self.landed_state = int(common.MAV_LANDED_STATE_UNDEFINED)
        self.acks: list[tuple[int, int]] = []
        """Command and result of each COMMAND_ACK, the newest last; a few are kept."""

    def frame(self, now_us: int, frame: bytes) -> None:
        """Takes one frame from the vehicle."""
        message = wire.message_id(frame)
        if message == common.MAVLINK_MSG_ID_HEARTBEAT:
            payload = wire.payload(frame).ljust(9, b"\0")
            if payload[5] != common.MAV_AUTOPILOT_INVALID:
                self.system, self.component = wire.system_id(frame), wire.component_id(frame)
                self.heartbeat_us, self.armed = now_us, bool(payload[6] & _ARMED)
        elif message == common.MAVLINK_MSG_ID_EXTENDED_SYS_STATE:
            self.landed_state = wire.payload(frame).ljust(2, b"\0")[1]
        elif message == common.MAVLINK_MSG_ID_COMMAND_ACK:
            payload = wire.payload(frame).ljust(3, b"\0")
            self.acks = [*self.acks[-7:], (int.from_bytes(payload[:2], "little"), payload[2])]

    @property
    def is_down(self) -> bool:
        """On the ground with its motors off; a vehicle that does not report landing: disarmed. One unheard: yes."""
        landed = (common.MAV_LANDED_STATE_ON_GROUND, common.MAV_LANDED_STATE_UNDEFINED)
        return not self.armed and self.landed_state in landed

    def result_of(self, command: int) -> int | None:
        """The newest answer to a command since `acks` was emptied; None when there is none yet."""
        return next((result for number, result in self.acks[::-1] if number == command), None)

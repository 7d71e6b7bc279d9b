"""MAVLink frames for the tests, packed by pymavlink."""

from __future__ import annotations

import fastcrc
from pymavlink.dialects.v20 import common

UNKNOWN_ID = 60_001
"""A message number that no dialect we know has."""


class Sender:
    """A system and component that numbers its frames as MAVLink wants it."""

    def __init__(self, system: int = 1, component: int = 1, *, version_1: bool = False) -> None:
        self._mavlink = common.MAVLink(None, system, component)
        self._version_1 = version_1
        self.system = system

    def pack(self, message: common.MAVLink_message) -> bytes:
        """The frame of `message`, with the next sequence number."""
        packed = bytes(message.pack(self._mavlink, force_mavlink1=self._version_1))
        self._mavlink.seq = (self._mavlink.seq + 1) % 256
        return packed

    def heartbeat(self) -> bytes:
        """HEARTBEAT, which has no target."""
        return self.pack(common.MAVLink_heartbeat_message(2, 0, 0, 0, 3, 3))

    def attitude(self, time_ms: int = 0) -> bytes:
        """ATTITUDE, which has no target."""
        return self.pack(common.MAVLink_attitude_message(time_ms, 0.1, 0.2, 0.3, 0, 0, 0))

    def command(self, target: tuple[int, int] = (1, 1), number: int = 400) -> bytes:
        """COMMAND_LONG."""
        return self.pack(common.MAVLink_command_long_message(*target, number, 0, 1, 0, 0, 0, 0, 0, 0))

    def acknowledge(self, target: tuple[int, int]) -> bytes:
        """COMMAND_ACK to `target`."""
        return self.pack(common.MAVLink_command_ack_message(400, 0, 0, 0, *target))

    def set_point(self, north_m: float, target: tuple[int, int] = (1, 1)) -> bytes:
        """SET_POSITION_TARGET_LOCAL_NED, of positions alone."""
        message = common.MAVLink_set_position_target_local_ned_message
        return self.pack(message(0, *target, 1, 0x0DF8, north_m, 0, -3, 0, 0, 0, 0, 0, 0, 0, 0))

    def sticks(self, forward: int, target: int = 1) -> bytes:
        """MANUAL_CONTROL."""
        return self.pack(common.MAVLink_manual_control_message(target, forward, 0, 500, 0, 0))

    def channels(self, first: int) -> bytes:
        """RC_CHANNELS_OVERRIDE that sets channel 1 alone."""
        return self.pack(common.MAVLink_rc_channels_override_message(1, 1, first, *[65535] * 7))

    def parameter(self, name: str = "GAIN") -> bytes:
        """PARAM_SET."""
        return self.pack(common.MAVLink_param_set_message(1, 1, name.encode(), 1.0, 9))

    def text(self, words: str) -> bytes:
        """STATUSTEXT."""
        return self.pack(common.MAVLink_statustext_message(6, words.encode()))


def unknown(payload: bytes = b"\x01\x02\x03", *, system: int = 1, number: int = UNKNOWN_ID) -> bytes:
    """A version 2 frame of a message that nobody knows, its checksum made with an extra byte that we do not know."""
    body = bytes([len(payload), 0, 0, 7, system, 1]) + number.to_bytes(3, "little") + payload
    return b"\xfd" + body + fastcrc.crc16.mcrf4xx(body + b"\x5a").to_bytes(2, "little")


def with_flags(frame: bytes, incompatible: int, extra: int, signature: bytes = b"") -> bytes:
    """A version 2 frame with other incompatibility flags, its checksum (message's extra byte `extra`) made right."""
    body = frame[1:2] + bytes([incompatible]) + frame[3:-2]
    return frame[:1] + body + fastcrc.crc16.mcrf4xx(body + bytes([extra])).to_bytes(2, "little") + signature

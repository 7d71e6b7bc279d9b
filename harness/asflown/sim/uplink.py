"""Uplink frames to messages: MAVLink 1 and 2, shorter and longer than known, and nothing that could raise.

A frame is one complete frame as it came from the link. What cannot be understood is counted and dropped. A
signature is neither checked nor needed: the built-in vehicle has no key.
"""

from __future__ import annotations

from pymavlink.dialects.v20 import common as mav

_LEAST_BYTES = 8
_INCOMPATIBLE_FLAGS_KNOWN = mav.MAVLINK_IFLAG_SIGNED


class Uplink:
    """Decodes frames and counts those that were no use."""

    def __init__(self) -> None:
        self.accepted = 0
        self.rejected = 0
        """Damaged, of an unknown kind, or with a flag that says it must not be read without knowing the flag."""
        self._decoder = mav.MAVLink(None)

    def decode(self, frame: bytes) -> mav.MAVLink_message | None:
        """The message, or None for a frame that is damaged or unknown. Never raises."""
        message = self._message(frame)
        if message is None:
            self.rejected += 1
        else:
            self.accepted += 1
        return message

    def _message(self, frame: bytes) -> mav.MAVLink_message | None:
        if len(frame) < _LEAST_BYTES or frame[0] not in (mav.PROTOCOL_MARKER_V1, mav.PROTOCOL_MARKER_V2):
            return None
        if frame[0] == mav.PROTOCOL_MARKER_V2 and frame[2] & ~_INCOMPATIBLE_FLAGS_KNOWN:
            return None
        try:
            message = self._decoder.decode(bytearray(frame))
        except mav.MAVError:
            return None
        return None if message.get_msgId() < 0 else message

"""Messages that are longer in the standard than in the installed pymavlink: the fields that it lacks are added.

Extension fields stand behind the others and are no part of the checksum's seed, so a decoder that does not know
them reads the rest as before. Layouts: MISSION_ACK, MISSION_CURRENT and TIMESYNC of the message definitions 2025.
"""

from __future__ import annotations

import struct

from pymavlink.dialects.v20 import common as mav


class Longer:
    """A message with bytes behind its known fields; it is packed like any other."""

    def __init__(self, message: mav.MAVLink_message, more: bytes) -> None:
        self._message = message
        self._more = more

    def pack(self, packer: mav.MAVLink) -> bytes:
        """The frame."""
        message = self._message
        fields = (getattr(message, name) for name in message.ordered_fieldnames)
        payload = message.unpacker.pack(*fields) + self._more
        return bytes(message._pack(packer, message.crc_extra, payload))  # noqa: SLF001 - what its own pack calls


def mission_ack(peer: tuple[int, int], result: int, mission_type: int, opaque_id: int) -> Longer:
    """MISSION_ACK with the identifier of the plan that it speaks of."""
    return Longer(mav.MAVLink_mission_ack_message(*peer, result, mission_type), struct.pack("<I", opaque_id))


def mission_current(message: mav.MAVLink_mission_current_message, opaque_ids: tuple[int, int, int]) -> Longer:
    """MISSION_CURRENT with the identifiers of mission, fence and rally points."""
    return Longer(message, struct.pack("<3I", *opaque_ids))


def timesync(own_ns: int, asked_ns: int, peer: tuple[int, int]) -> Longer:
    """TIMESYNC as an answer, addressed to who asked."""
    return Longer(mav.MAVLink_timesync_message(own_ns, asked_ns), bytes(peer))

"""Frames that are missing, told from the sequence numbers of each sender.

Source: the MAVLink developer guide, Packet Loss Calculation: gaps of the 8-bit number, modulo 256, for each system and
component. A number that lies behind is a frame that was overtaken or repeated, and counts as none missing.
"""

from __future__ import annotations

from enum import Enum

from asflown.link import wire

_BEHIND = 128


class Place(Enum):
    """Where a frame's number lies, seen from the last one of its sender."""

    AHEAD = "ahead"
    SAME = "same"
    BEHIND = "behind"


class SequenceWatch:
    """The last number of each sender at one place."""

    __slots__ = ("_last",)

    def __init__(self) -> None:
        self._last: dict[int, int] = {}

    def place(self, frame: bytes) -> Place:
        """Where the frame's number lies; ahead for a sender that was not heard yet."""
        last = self._last.get(wire.system_id(frame) << 8 | wire.component_id(frame))
        if last is None:
            return Place.AHEAD
        number = wire.sequence(frame)
        if number == last:
            return Place.SAME
        return Place.BEHIND if (number - last - 1) & 0xFF >= _BEHIND else Place.AHEAD

    def missing(self, frame: bytes) -> int:
        """How many frames of this sender are missing between its last one and this one."""
        if frame[0] == wire.START_2:
            number, sender = frame[4], frame[5] << 8 | frame[6]
        else:
            number, sender = frame[2], frame[3] << 8 | frame[4]
        last = self._last.get(sender)
        if last is None:
            self._last[sender] = number
            return 0
        gap = (number - last - 1) & 0xFF
        if gap >= _BEHIND:
            return 0
        self._last[sender] = number
        return gap

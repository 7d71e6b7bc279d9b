"""Whether a pilot flies: sticks away from their middle, or a mode asked for, from a station or pilot at the hub."""

from __future__ import annotations

import struct

from pymavlink.dialects.v20 import common, development

from asflown.link import wire

FLIES_FOR_US = 5_000_000
"""How long after the last such frame the pilot still counts as flying."""
DEAD_BAND = 150
"""Of MANUAL_CONTROL's 1000, each side of the middle."""
_MODE_COMMANDS = (int(common.MAV_CMD_DO_SET_MODE), int(development.MAV_CMD_DO_SET_STANDARD_MODE))
_COMMAND_AT = 28
"""Of COMMAND_LONG and COMMAND_INT alike: behind seven numbers of four bytes."""


class PilotWatch:
    """A hook for the hub's station frames."""

    def __init__(self) -> None:
        self._last_us: int | None = None

    def frame(self, now_us: int, frame: bytes) -> None:
        """Takes one frame of a station or pilot."""
        if takes_over(frame):
            self._last_us = now_us

    def flies(self, now_us: int) -> bool:
        """Whether a pilot has done something lately."""
        return self._last_us is not None and now_us - self._last_us < FLIES_FOR_US


def takes_over(frame: bytes) -> bool:
    """Whether a frame of a station is a pilot's doing: a stick moved, channels set, a mode asked for."""
    message, payload = wire.message_id(frame), wire.payload(frame).ljust(33, b"\0")
    if message == common.MAVLINK_MSG_ID_MANUAL_CONTROL:
        x, y, _, r = struct.unpack_from("<hhhh", payload)
        return any(DEAD_BAND < abs(axis) <= 1000 for axis in (x, y, r))
    if message in {common.MAVLINK_MSG_ID_RC_CHANNELS_OVERRIDE, common.MAVLINK_MSG_ID_SET_MODE}:
        return True
    if message in {common.MAVLINK_MSG_ID_COMMAND_LONG, common.MAVLINK_MSG_ID_COMMAND_INT}:
        return int.from_bytes(payload[_COMMAND_AT : _COMMAND_AT + 2], "little") in _MODE_COMMANDS
    return False

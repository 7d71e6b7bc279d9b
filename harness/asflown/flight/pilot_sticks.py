"""When a pilot's sticks mean it: off their middle for several messages, whether they move or just stay there.

Sticks that stream in their middle are no takeover. Where the middle of the vertical stick is (0 or 500 of 1000 in
MANUAL_CONTROL, low or half-way on a channel) is learnt from the first message. The channels that the vehicle reports
of its own receiver (RC_CHANNELS) are compared with where they were first: there a rest position can be anywhere.
"""

from __future__ import annotations

import struct

from pymavlink.dialects.v20 import common

from asflown.link import wire

DEAD_BAND = 100
"""Of MANUAL_CONTROL's 1000, each side."""
CHANNEL_DEAD_BAND_US = 50
"""Of a channel's 500 microseconds each side: the same share."""
MESSAGES = 3
"""So many in a row; one alone may be a glitch."""
NOT_USED = 0x7FFF
_MANUAL, _OVERRIDE = (
    int(common.MAVLINK_MSG_ID_MANUAL_CONTROL),
    int(common.MAVLINK_MSG_ID_RC_CHANNELS_OVERRIDE),
)
_CHANNELS = int(common.MAVLINK_MSG_ID_RC_CHANNELS)
_MIDDLE_US, _LOW_US, _THROTTLE = 1500, 1000, 2
_VALID_US = range(800, 2201)
SCRIPT_STICKS_US = 3_000_000
"""For so long after a script moved channels itself, what the vehicle reports of them says nothing of a pilot."""


class StickWatch:
    """Counts messages with a stick off its middle, for each way that sticks come by."""

    def __init__(self) -> None:
        self._manual = self._override = self._receiver = 0
        self._rest_z: int | None = None
        self._rest_throttle_us: int | None = None
        self._rest_us: list[int] | None = None
        self._script_us: int | None = None

    def station(self, frame: bytes) -> bool:
        """Takes a frame of a station or pilot; whether that makes a takeover."""
        message = wire.message_id(frame)
        if message == _MANUAL:
            self._manual = self._manual + 1 if self._is_moved(frame) else 0
            return self._manual >= MESSAGES
        if message == _OVERRIDE:
            self._override = self._override + 1 if self._is_overridden(frame) else 0
            return self._override >= MESSAGES
        return False

    def script(self, now_us: int, frame: bytes) -> None:
        """Takes a frame of the script, which may fly by channels itself."""
        if wire.message_id(frame) in (_MANUAL, _OVERRIDE):
            self._script_us = now_us

    def vehicle(self, now_us: int, frame: bytes) -> bool:
        """Takes a frame of the vehicle: what its own receiver hears; whether that makes a takeover."""
        if wire.message_id(frame) != _CHANNELS:
            return False
        if self._script_us is not None and now_us - self._script_us < SCRIPT_STICKS_US:
            self._rest_us, self._receiver = None, 0
            return False
        channels = list(struct.unpack_from("<4H", wire.payload(frame).ljust(42, b"\0"), 4))
        if any(channel not in _VALID_US for channel in channels):
            return False
        if self._rest_us is None:
            self._rest_us = channels
        moved = any(
            abs(now - rest) > CHANNEL_DEAD_BAND_US for now, rest in zip(channels, self._rest_us, strict=True)
        )
        self._receiver = self._receiver + 1 if moved else 0
        return self._receiver >= MESSAGES

    @property
    def is_off(self) -> bool:
        """Whether a stick was off its middle in the newest message."""
        return bool(self._manual or self._override or self._receiver)

    def _is_moved(self, frame: bytes) -> bool:
        x, y, z, r = struct.unpack_from("<4h", wire.payload(frame).ljust(11, b"\0"))
        if self._rest_z is None and z != NOT_USED:
            self._rest_z = 0 if abs(z) < abs(z - 500) else 500
        axes = [x, y, r, *([NOT_USED] if z == NOT_USED else [z - (self._rest_z or 0)])]
        return any(axis != NOT_USED and abs(axis) > DEAD_BAND for axis in axes)

    def _is_overridden(self, frame: bytes) -> bool:
        channels = struct.unpack_from("<4H", wire.payload(frame).ljust(18, b"\0"))
        return any(self._is_off_rest(number, channel) for number, channel in enumerate(channels))

    def _is_off_rest(self, number: int, channel: int) -> bool:
        if channel not in _VALID_US:  # given back, or left as it is
            return False
        rest_us = _MIDDLE_US
        if number == _THROTTLE:
            if self._rest_throttle_us is None:
                self._rest_throttle_us = _LOW_US if channel < (_LOW_US + _MIDDLE_US) / 2 else _MIDDLE_US
            rest_us = self._rest_throttle_us
        return abs(channel - rest_us) > CHANNEL_DEAD_BAND_US

"""MAVLink frames as bytes: cutting streams into frames, and reading the header without decoding.

Frames go through byte for byte: nothing here packs, numbers or signs. What a message looks like (check byte,
place of the target fields) comes from pymavlink's dialect tables, read once.

Source of the layout: the MAVLink developer guide, chapters Packet Serialization and Message Signing.
"""

from __future__ import annotations

import re
import struct
from typing import Any

from fastcrc.crc16 import mcrf4xx
from pymavlink.dialects.v20 import development

START_1, START_2 = 0xFE, 0xFD
OVERHEAD_1, OVERHEAD_2, SIGNATURE_BYTES = 8, 12, 13
LONGEST_FRAME = 255 + OVERHEAD_2 + SIGNATURE_BYTES
SIGNED = 0x01
"""The only incompatibility flag that is defined: a signature follows the checksum."""


def _target_place(message: Any) -> tuple[int, int] | None:
    """Offsets of target system and component in the payload; -1 for a component that the message lacks."""
    places: dict[str, int] = {}
    offset = 0
    for index, field in enumerate(message.ordered_fieldnames):
        places[field] = offset
        size = struct.calcsize("<" + chr(message.native_format[1 + index]))
        offset += size * max(1, message.array_lengths[index])
    if "target_system" in places:
        return places["target_system"], places.get("target_component", -1)
    if message.msgname == "MANUAL_CONTROL":  # the only one that calls the system it is for just `target`
        return places["target"], -1
    return None


_MESSAGES: dict[int, Any] = development.mavlink_map
"""`development` is the standard's own superset of `common`."""

CRC_EXTRA: dict[int, int] = {number: message.crc_extra for number, message in _MESSAGES.items()}
"""The byte of each known message that goes into its checksum last."""

TARGET_PLACE: dict[int, tuple[int, int]] = {
    number: place for number, message in _MESSAGES.items() if (place := _target_place(message)) is not None
}

_CRC_EXTRA_BYTE: dict[int, bytes] = {number: bytes((extra,)) for number, extra in CRC_EXTRA.items()}


def checksum(data: bytes) -> int:
    """CRC-16/MCRF4XX of `data`, as MAVLink uses it."""
    return mcrf4xx(data)


def message_id(frame: bytes) -> int:
    """The message's number; `frame` is whole."""
    if frame[0] == START_2:
        return frame[7] | frame[8] << 8 | frame[9] << 16
    return frame[5]


def sequence(frame: bytes) -> int:
    """The sender's running number, 0 to 255."""
    return frame[4] if frame[0] == START_2 else frame[2]


def system_id(frame: bytes) -> int:
    """The sender's system."""
    return frame[5] if frame[0] == START_2 else frame[3]


def component_id(frame: bytes) -> int:
    """The sender's component."""
    return frame[6] if frame[0] == START_2 else frame[4]


def payload(frame: bytes) -> bytes:
    """The payload as sent; zero bytes that the sender cut off are missing at its end."""
    start = 10 if frame[0] == START_2 else 6
    return frame[start : start + frame[1]]


def is_known(frame: bytes) -> bool:
    """Whether the message is in the tables, so that its checksum has been verified."""
    return message_id(frame) in CRC_EXTRA


def with_signed_flag(frame: bytes, *, signed: bool) -> bytes:
    """A version 2 frame up to its checksum, with the flag `SIGNED` set or cleared and the checksum made to fit.

    The checksum is linear, so that the one changed bit changes it in a way that does not depend on the message:
    this works for messages that are not in the tables, too.
    """
    if bool(frame[2] & SIGNED) == signed:
        return frame
    behind = bytes(frame[1] + 8)  # the rest of header and payload, and the extra byte
    change = mcrf4xx(b"\0\x01" + behind) ^ mcrf4xx(b"\0\0" + behind)
    check = (frame[-2] | frame[-1] << 8) ^ change
    return frame[:2] + bytes((frame[2] ^ SIGNED,)) + frame[3:-2] + check.to_bytes(2, "little")


def target_of(frame: bytes) -> tuple[int, int] | None:
    """Target system and component, 0 meaning all; None when the message has no target or is not known.

    Bytes that the sender cut off the payload are zero, as the standard has it.
    """
    if frame[0] == START_2:
        place = TARGET_PLACE.get(frame[7] | frame[8] << 8 | frame[9] << 16)
        start = 10
    else:
        place = TARGET_PLACE.get(frame[5])
        start = 6
    if place is None:
        return None
    length = frame[1]
    system_at, component_at = place
    system = frame[start + system_at] if system_at < length else 0
    component = frame[start + component_at] if 0 <= component_at < length else 0
    return system, component


def frames_lost(last: int, current: int) -> int:
    """How many frames are missing between two sequence numbers of one sender, modulo 256."""
    return (current - last - 1) % 256


_NEXT_START = re.compile(rb"[\xfd\xfe]")
_PENDING, _REFUSED, _INCOMPATIBLE = 0, -1, -2


class FrameReader:
    """Cuts one party's bytes into whole frames, however they are chunked.

    Known messages are taken when their checksum is right. A message that is not in the tables cannot be checked:
    it is taken when it follows upon a frame without a gap; after rubbish, only when a start byte comes behind it
    (version 2 only), so it waits for that byte. Everything else is rubbish, skipped byte by byte and counted. At most
    one frame's worth of bytes is kept between calls. Always:
    bytes fed = bytes of frames + `bytes_rubbish` + `waiting`.
    """

    __slots__ = ("_aligned", "_rest", "bytes_rubbish", "frames_incompatible")

    def __init__(self) -> None:
        self._rest = b""
        self._aligned = True
        self.bytes_rubbish = 0
        self.frames_incompatible = 0

    @property
    def waiting(self) -> int:
        """Bytes kept until more arrive."""
        return len(self._rest)

    def feed(self, data: bytes) -> list[bytes]:
        """Takes the next bytes; returns the frames they complete. Never raises, whatever the bytes are."""
        size = len(data)
        # The common case by far: one datagram, one version 2 frame, unsigned, known.
        if not self._rest and size > OVERHEAD_2 and data[0] == START_2 and data[1] + OVERHEAD_2 == size:
            extra = _CRC_EXTRA_BYTE.get(data[7] | data[8] << 8 | data[9] << 16)
            if extra is not None and not data[2]:
                check = data[-2] | data[-1] << 8
                if mcrf4xx(data[1:-2] + extra) == check:
                    self._aligned = True
                    return [data]
        return self._cut(self._rest + data)

    def reset(self) -> None:
        """Forgets an unfinished frame (counted as rubbish): the connection is a new one."""
        self.bytes_rubbish += len(self._rest)
        self._rest = b""
        self._aligned = True

    def _cut(self, data: bytes) -> list[bytes]:
        frames: list[bytes] = []
        at = 0
        while True:
            at = self._skip_to_start(data, at)
            length = self._judge(data, at)
            if length > 0:
                frames.append(data[at : at + length])
                at += length
            elif length == _REFUSED:
                self._drop(1)
                at += 1
            elif length == _INCOMPATIBLE:
                dropped = _length(data, at)
                self.bytes_rubbish += dropped
                self.frames_incompatible += 1
                at += dropped
            else:
                self._rest = data[at:]
                return frames

    def _drop(self, count: int) -> None:
        self.bytes_rubbish += count
        self._aligned = False

    def _skip_to_start(self, data: bytes, at: int) -> int:
        found = _NEXT_START.search(data, at)
        start = found.start() if found else len(data)
        if start > at:
            self._drop(start - at)
        return start

    def _judge(self, data: bytes, at: int) -> int:
        """The length of the frame at `at` if it is one, or what is wrong with it."""
        available = len(data) - at
        if available < 3:
            return _PENDING
        strange = data[at] == START_2 and data[at + 2] & ~SIGNED
        if strange and not self._aligned:
            return _REFUSED
        length = _length(data, at)
        if available < length:
            return _PENDING
        if strange:
            return _INCOMPATIBLE
        extra = _CRC_EXTRA_BYTE.get(message_id(data[at : at + 10]))
        return (
            self._judge_unknown(data, at, length) if extra is None else self._check(data, at, length, extra)
        )

    def _check(self, data: bytes, at: int, length: int, extra: bytes) -> int:
        end = at + data[at + 1] + (10 if data[at] == START_2 else 6)
        if mcrf4xx(data[at + 1 : end] + extra) != data[end] | data[end + 1] << 8:
            return _REFUSED
        self._aligned = True
        return length

    def _judge_unknown(self, data: bytes, at: int, length: int) -> int:
        if self._aligned:
            return length
        if data[at] == START_1:
            return _REFUSED
        if len(data) == at + length:
            return _PENDING
        return length if data[at + length] in (START_1, START_2) else _REFUSED


def _length(data: bytes, at: int) -> int:
    """The whole length that the header at `at` states; three bytes are there."""
    if data[at] == START_1:
        return data[at + 1] + OVERHEAD_1
    return data[at + 1] + OVERHEAD_2 + (SIGNATURE_BYTES if data[at + 2] & SIGNED else 0)

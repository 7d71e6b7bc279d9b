"""Downlink frames: messages packed in order, and texts for people.

Frames are MAVLink 2, numbered without gaps modulo 256. Nothing is sent here: the craft's owner takes the frames.
"""

from __future__ import annotations

from struct import Struct

from fastcrc import crc16
from pymavlink.dialects.v20 import common as mav

from asflown.sim.longer import Longer
from asflown.sim.plain import Plain

AUTOPILOT_COMPONENT = 1
_TEXT_BYTES = 50
_REPEAT_AFTER_US = 3_000_000
_TEXTS_REMEMBERED = 64
_MAGIC = 0xFD
_HEADER, _CHECKSUM = Struct("<BBBBBBBHB"), Struct("<H")
_EXTRAS = tuple(bytes([extra]) for extra in range(256))


class Downlink:
    """Packs what the craft says, in the order it is said."""

    def __init__(self, system: int) -> None:
        self._packer = mav.MAVLink(None, srcSystem=system, srcComponent=AUTOPILOT_COMPONENT)
        self._number = 0
        self._frames: list[bytes] = []
        self._long_texts = 0
        self._said_us: dict[str, int] = {}

    def send(self, message: mav.MAVLink_message | Longer | Plain) -> None:
        """Packs a message of any dialect."""
        packer = self._packer
        if isinstance(message, Plain):
            kind = message.kind
            self._number = kind.id
            payload: bytes = kind.unpacker.pack(*message.fields)
            self._frames.append(self._framed(packer, kind.crc_extra, payload))
        elif isinstance(message, Longer):
            self._frames.append(message.pack(packer))
        else:
            message._pack = self._framed  # noqa: SLF001 - called by its own pack with the payload: ours costs a third
            self._number = type(message).id  # some have a field of that name
            self._frames.append(message.pack(packer))
        packer.seq = (packer.seq + 1) & 0xFF

    def _framed(
        self, packer: mav.MAVLink, extra: int, payload: bytes, *, force_mavlink1: bool = False
    ) -> bytes:
        """The frame round a payload: MAVLink 2, unsigned, zeros at the end of the payload left out."""
        payload = payload.rstrip(b"\0") or payload[:1]
        number = self._number
        head = _HEADER.pack(
            _MAGIC, len(payload), 0, 0, packer.seq, packer.srcSystem, packer.srcComponent,
            number & 0xFFFF, number >> 16,
        )  # fmt: skip
        frame = head + payload
        return frame + _CHECKSUM.pack(crc16.mcrf4xx(frame[1:] + _EXTRAS[extra]))

    def text(self, severity: int, text: str) -> None:
        """A STATUSTEXT (`severity` as MAV_SEVERITY); longer than 50 bytes it goes in numbered chunks.

        A chunk of less than 50 bytes ends the text, so a text that fills its last chunk is followed by an empty one.
        """
        raw = text.encode("ascii", errors="replace")
        if len(raw) <= _TEXT_BYTES:
            self.send(mav.MAVLink_statustext_message(severity, raw))
            return
        self._long_texts = self._long_texts % 0xFFFF + 1
        for chunk, start in enumerate(range(0, len(raw) + 1, _TEXT_BYTES)):
            part = raw[start : start + _TEXT_BYTES]
            self.send(mav.MAVLink_statustext_message(severity, part, self._long_texts, chunk))

    def refusal(self, text: str, now_us: int) -> None:
        """A warning that a stream of wrong messages would repeat; the same words once in 3 s at most."""
        if now_us - self._said_us.get(text, -_REPEAT_AFTER_US) < _REPEAT_AFTER_US:
            return
        if len(self._said_us) >= _TEXTS_REMEMBERED:
            self._said_us.clear()
        self._said_us[text] = now_us
        self.text(mav.MAV_SEVERITY_WARNING, text)

    def take(self) -> list[bytes]:
        """The frames since the last call, oldest first."""
        frames, self._frames = self._frames, []
        return frames

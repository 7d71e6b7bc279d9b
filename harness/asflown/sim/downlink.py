"""Downlink frames: messages packed in order, and texts for people.

Frames are MAVLink 2, numbered without gaps modulo 256. Nothing is sent here: the craft's owner takes the frames.
"""

from __future__ import annotations

from pymavlink.dialects.v20 import common as mav

from asflown.sim.longer import Longer

AUTOPILOT_COMPONENT = 1
_TEXT_BYTES = 50
_REPEAT_AFTER_US = 3_000_000
_TEXTS_REMEMBERED = 64


class Downlink:
    """Packs what the craft says, in the order it is said."""

    def __init__(self, system: int) -> None:
        self._packer = mav.MAVLink(None, srcSystem=system, srcComponent=AUTOPILOT_COMPONENT)
        self._frames: list[bytes] = []
        self._long_texts = 0
        self._said_us: dict[str, int] = {}

    def send(self, message: mav.MAVLink_message | Longer) -> None:
        """Packs a message of any dialect."""
        packer = self._packer
        self._frames.append(message.pack(packer))
        packer.seq = (packer.seq + 1) & 0xFF

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

"""Streams of MAVLink frames, most of them damaged in some way, with the truth of what is in them.

A flood packs frames of every message of the standard with random payloads, signed ones and old ones among them, damages
some, and puts rubbish between. The wire parser gets them in chunks of any size, the index as a tlog. What must hold: all bytes
are accounted for, each undamaged frame that stands among undamaged ones is found byte for byte, and what is found has a
right checksum.
"""

from __future__ import annotations

import struct
from pathlib import Path
from random import Random

import numpy as np

from asflown.errors import FolderProblem
from asflown.link import wire
from asflown.record import decode, layout

FRAMES = 20_000
"""In one flood."""
_KNOWN = tuple(sorted(wire.CRC_EXTRA))


class Flood:
    """One stream; `stream` is its bytes as on the wire, `tlog` the same with stamps."""

    def __init__(self, chance: Random, frames: int = FRAMES) -> None:
        self._chance = chance
        self._parts: list[tuple[bytes, bool]] = []
        """Bytes, and whether they are a sound frame of a known message."""
        pool = [self._frame() for _ in range(600)]
        share = chance.choice((0.0, 0.02, 0.3, 0.9))
        for _ in range(frames):
            frame = chance.choice(pool)
            if chance.random() < share:
                self._parts.append((self._damaged(frame), False))
            else:
                self._parts.append((frame, True))
        self.stream = b"".join(part for part, _ in self._parts)

    def run(self, folder: Path) -> dict[str, int]:
        """Feeds everything that reads frames; counts of what was found. Raises AssertionError for what must not be."""
        parsed = self._through_the_wire()
        indexed = self._through_the_index(folder / "flood.tlog")
        return {
            "frames": len(self._parts),
            "sound": sum(sound for _, sound in self._parts),
            "parsed": parsed,
            "indexed": indexed,
        }

    def _frame(self) -> bytes:
        chance = self._chance
        payload = chance.randbytes(chance.choice((0, 1, 9, 28, 51, 255)))
        if chance.random() < 0.2:
            number = chance.choice([known for known in _KNOWN if known < 256])
            body = (
                bytes(
                    (
                        len(payload),
                        chance.randrange(256),
                        chance.randrange(256),
                        chance.randrange(256),
                        number,
                    )
                )
                + payload
            )
            start, signature = b"\xfe", b""
        else:
            number = chance.choice(_KNOWN)
            signed = chance.random() < 0.2
            signature = chance.randbytes(13) if signed else b""
            head = bytes(
                (
                    len(payload),
                    int(signed),
                    0,
                    chance.randrange(256),
                    chance.randrange(256),
                    chance.randrange(256),
                )
            )
            body, start = head + number.to_bytes(3, "little") + payload, b"\xfd"
        check = wire.checksum(body + bytes((wire.CRC_EXTRA[number],)))
        return start + body + struct.pack("<H", check) + signature

    def _damaged(self, frame: bytes) -> bytes:
        chance = self._chance
        at = chance.randrange(len(frame))
        return chance.choice((
            frame[:at],
            frame[at:],
            frame[:at] + bytes((frame[at] ^ 1 << chance.randrange(8),)) + frame[at + 1 :],
            frame[:at] + chance.randbytes(3) + frame[at:],
            chance.randbytes(chance.choice((1, 7, 300))),
            b"\xfd" * chance.choice((1, 40)),
            b"\xfd\xff\x00" * 5,
            b"\xfe\xff" * 9,
            frame[:2] + bytes((chance.randrange(256),)) + frame[3:],
        ))  # fmt: skip

    def _through_the_wire(self) -> int:
        reader, found, fed = wire.FrameReader(), 0, 0
        sound = {part for part, good in self._parts if good}
        at, known = 0, 0
        step = self._chance.choice((1, 7, 280, 4096, 1 << 16))
        while at < len(self.stream):
            size = (
                step
                if step == 1 and at < 50_000
                else max(step, 280)
                if step == 1
                else self._chance.randint(1, step)
            )
            chunk = self.stream[at : at + size]
            at += len(chunk)
            for frame in reader.feed(chunk):
                found += 1
                fed += len(frame)
                known += frame in sound
                _must_be_right(frame)
        assert fed + reader.bytes_rubbish + reader.waiting == len(self.stream), "bytes got lost"
        assert reader.waiting <= wire.LONGEST_FRAME + 1, reader.waiting
        if all(good for _, good in self._parts):
            assert found == len(self._parts), (found, len(self._parts))
        return known

    def _through_the_index(self, path: Path) -> int:
        stamp = 1_735_689_600_000_000
        path.write_bytes(
            b"".join(struct.pack(">Q", stamp + number) + part for number, (part, _) in enumerate(self._parts))
        )
        try:
            index = decode.index(path)
        except FolderProblem:
            assert not any(good for _, good in self._parts)
            return 0
        lengths = index.frame_length.astype(np.int64).sum() + 8 * len(index)
        assert lengths <= path.stat().st_size, "more was found than there is"
        known = layout.crc_extras(index.message_id) >= 0
        for number in np.flatnonzero(known)[:: max(1, len(index) // 500)].tolist():
            _must_be_right(index.frame(number))
        if all(good for _, good in self._parts):
            assert len(index) == len(self._parts), (len(index), len(self._parts))
        for message in (0, 30, 32, 33):
            decode.columns(index, message)
        return len(index)


def _must_be_right(frame: bytes) -> None:
    """A frame of a known message that was believed has a right checksum; its header can be read."""
    number = wire.message_id(frame)
    extra = wire.CRC_EXTRA.get(number)
    wire.target_of(frame)
    wire.payload(frame)
    if extra is None:
        return
    end = (10 if frame[0] == wire.START_2 else 6) + frame[1]
    assert wire.checksum(frame[1:end] + bytes((extra,))) == frame[end] | frame[end + 1] << 8, frame.hex()

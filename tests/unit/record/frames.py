"""Frames and tlogs for tests of the decoder, packed by pymavlink or put together byte by byte."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pymavlink.dialects.v20 import development
from pymavlink.generator.mavcrc import x25crc

EPOCH_US = 1_735_689_600_000_000


def packed(
    message: Any, *, sequence: int = 0, system: int = 1, component: int = 1, v1: bool = False
) -> bytes:
    """`message` as pymavlink sends it."""
    sender = development.MAVLink(None, srcSystem=system, srcComponent=component)
    sender.seq = sequence
    return bytes(message.pack(sender, force_mavlink1=v1))


def raw_v2(
    message_id: int, payload: bytes, *, flags: int = 0, signature: bytes = b"", crc_extra: int | None = None
) -> bytes:
    """A version 2 frame with exactly this payload, from system 1, component 1."""
    body = bytes([len(payload), flags, 0, 0, 1, 1]) + message_id.to_bytes(3, "little") + payload
    extra = development.mavlink_map[message_id].crc_extra if crc_extra is None else crc_extra
    checksum: int = x25crc(list(body + bytes([extra]))).crc
    return b"\xfd" + body + checksum.to_bytes(2, "little") + signature


def heartbeat(custom_mode: int = 0, **more: Any) -> bytes:
    """A heartbeat that can be told from others by its custom mode."""
    return packed(development.MAVLink_heartbeat_message(2, 0, 0, custom_mode, 3, 3), **more)


def record(number: int, frame: bytes) -> bytes:
    """A tlog record, stamped `number` milliseconds after the epoch of these tests."""
    return (EPOCH_US + number * 1000).to_bytes(8, "big") + frame


def write_tlog(path: Path, frames: Iterable[bytes]) -> Path:
    """A tlog of `frames`, one each millisecond."""
    path.write_bytes(b"".join(record(number, frame) for number, frame in enumerate(frames)))
    return path

"""MAVLink checksums, layouts and frames as the decoder has them, against the standard's published facts.

Values: MAVLink guide (Packet Serialization), the message definitions, and the packages named beside each row.
"""

from __future__ import annotations

from pathlib import Path

import crcmod
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.record import decode, layout
from asflown.record.checksum import checksums
from tests.unit.record.frames import heartbeat, raw_v2, write_tlog

REFERENCE = crcmod.mkCrcFun(0x11021, initCrc=0xFFFF, rev=True, xorOut=0)


def checksum(covered: bytes) -> int:
    """Our checksum of `covered`, whose last byte takes the place of CRC_EXTRA."""
    data = np.frombuffer(covered, np.uint8)
    return int(checksums(data[None, :-1], data[-1:])[0])


def test_checksum_check_value() -> None:
    """OC-MAV-01: the check value of CRC-16/MCRF4XX."""
    assert checksum(b"123456789") == 0x6F91


def test_checksum_is_not_the_complemented_one() -> None:
    """OC-MAV-02: CRC-16/IBM-SDLC is the complement; taking it for MAVLink's is the usual mistake."""
    assert checksum(b"123456789") == 0x906E ^ 0xFFFF


def test_checksum_of_zero_bytes() -> None:
    """OC-MAV-03: one zero byte after the start value gives 0x0F87; two are checked against crcmod."""
    from asflown.record.checksum import _tables

    assert _tables()[0][0xFF] ^ 0xFF == 0x0F87
    assert checksum(b"\0\0") == REFERENCE(b"\0\0")


@given(data=st.data(), length=st.integers(1, 280), count=st.integers(0, 30))
def test_checksums_of_many_frames_at_once(data: st.DataObject, length: int, count: int) -> None:
    """Any frames of one length, checked together, have the checksums that crcmod gives each of them."""
    frames = data.draw(st.lists(st.binary(min_size=length, max_size=length), min_size=count, max_size=count))
    rows = np.frombuffer(b"".join(frames), np.uint8).reshape(count, length)
    ours = checksums(rows[:, :-1], rows[:, -1])
    assert ours.tolist() == [REFERENCE(frame) for frame in frames]


# CRC_EXTRA by id, from the message definitions: OC-MAV-04 to OC-MAV-08.
CRC_EXTRAS = {
    "OC-MAV-04 base": {0: 50, 1: 124, 2: 137, 4: 237},
    "OC-MAV-05 parameters": {20: 214, 21: 159, 22: 220, 23: 168},
    "OC-MAV-06 state": {24: 24, 30: 39, 32: 185, 33: 104, 74: 20, 147: 154, 245: 130},
    "OC-MAV-07 commanding": {69: 243, 70: 124, 75: 158, 76: 152, 77: 143, 82: 49, 84: 143, 86: 5},
    "OC-MAV-08 the rest": {
        44: 221, 47: 153, 73: 38, 93: 47, 107: 108, 109: 185, 111: 34, 113: 124,
        148: 178, 242: 104, 244: 95, 253: 83, 256: 71, 435: 134, 436: 193,
    },
}  # fmt: skip


@pytest.mark.parametrize("expected", CRC_EXTRAS.values(), ids=CRC_EXTRAS.keys())
def test_crc_extra(expected: dict[int, int]) -> None:
    """The byte that stands for a message's layout is the published one."""
    assert layout.crc_extras(np.array(list(expected))).tolist() == list(expected.values())


# OC-MAV-09: payload lengths with extensions, from the message definitions.
LENGTHS = {
    "HEARTBEAT": 9,
    "SYS_STATUS": 43,
    "GPS_RAW_INT": 52,
    "MANUAL_CONTROL": 30,
    "RC_CHANNELS_OVERRIDE": 38,
    "COMMAND_ACK": 10,
    "BATTERY_STATUS": 54,
    "SET_POSITION_TARGET_LOCAL_NED": 53,
}


@pytest.mark.parametrize(("name", "length"), LENGTHS.items(), ids=LENGTHS.keys())
def test_payload_length_with_extensions(name: str, length: int) -> None:
    """OC-MAV-09: a layout is as long as the definition with its extensions."""
    described = layout.layout(layout.message_id(name))
    assert described is not None
    assert described.dtype.itemsize == length


HEARTBEATS = {
    "OC-MAV-11 version 1": "fe09000101000000000002000003031985",
    "OC-MAV-12 version 2": "fd0900000001010000000000000002000003038346",
}


@pytest.mark.parametrize("frame", HEARTBEATS.values(), ids=HEARTBEATS.keys())
def test_published_heartbeat(tmp_path: Path, frame: str) -> None:
    """The heartbeat of both versions reads as what it says: type 2, state 3, version 3, from 1/1."""
    index = decode.index(write_tlog(tmp_path / "a.tlog", [bytes.fromhex(frame)]))
    [row] = decode.columns(index, 0, system=1, component=1)
    assert row.tolist()[1:] == (0, 2, 0, 0, 3, 3)
    assert index.frame(0).hex() == frame


def test_signed_heartbeat_is_decoded(tmp_path: Path) -> None:
    """OC-MAV-16, OC-MAV-19: flag 0x01 means 13 more bytes behind the checksum, and the payload is the same."""
    signed = bytes.fromhex("fd09010000010100000000000000020000030364be03a08601000000f337c89a2a2d")
    index = decode.index(write_tlog(tmp_path / "a.tlog", [signed, signed]))
    assert [row.tolist()[1:] for row in decode.columns(index, 0)] == [(0, 2, 0, 0, 3, 3)] * 2


def test_cut_command_is_filled_up(tmp_path: Path) -> None:
    """OC-MAV-14: COMMAND_LONG with its last zero byte cut has checksum 3b f3 and reads as the uncut one does."""
    payload = np.float32(1).tobytes() + bytes(24) + (400).to_bytes(2, "little") + bytes([1, 1, 0])
    cut, uncut = raw_v2(76, payload[:32]), raw_v2(76, payload)
    assert (len(cut), cut[1], cut[-2:].hex()) == (44, 0x20, "3bf3")
    index = decode.index(write_tlog(tmp_path / "a.tlog", [cut, uncut]))
    first, second = (row.tolist()[1:] for row in decode.columns(index, 76))
    assert first == second == (1.0, *[0.0] * 6, 400, 1, 1, 0)


def test_payload_of_one_zero_byte(tmp_path: Path) -> None:
    """OC-MAV-15: all-zero SYSTEM_TIME keeps one byte of payload and reads as zeros."""
    frame = bytes.fromhex("fd010000000101020000000531")
    index = decode.index(write_tlog(tmp_path / "a.tlog", [frame]))
    assert decode.columns(index, 2)[0].tolist()[1:] == (0, 0)


def test_unknown_incompatibility_flag_is_dropped(tmp_path: Path) -> None:
    """OC-MAV-19: a frame with flag 0x02 is dropped and counted; any compatibility flag is accepted."""
    payload = (9).to_bytes(4, "little") + bytes([2, 0, 0, 3, 3])
    path = write_tlog(tmp_path / "a.tlog", [heartbeat(1), raw_v2(0, payload, flags=2), heartbeat(3)])
    index = decode.index(path)
    assert decode.columns(index, 0)["custom_mode"].tolist() == [1, 3]
    assert index.refused_frames == 1


def test_message_ids_beyond_a_byte(tmp_path: Path) -> None:
    """OC-MAV-13: the id is 24 bits little-endian at bytes 7 to 9 of a version 2 frame."""
    frame = raw_v2(12_900, bytes([1]) * 4)
    assert frame[7:10] == bytes([0x64, 0x32, 0x00])
    assert decode.index(write_tlog(tmp_path / "a.tlog", [frame])).message_id.tolist() == [12_900]

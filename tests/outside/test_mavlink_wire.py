"""How MAVLink is cut, checked and routed on the wire, against the standard's published facts and reference packages.

Sources: MAVLink developer guide (chapters named beside each check), its message definitions, pymavlink, crcmod.
"""

from __future__ import annotations

import hashlib

import crcmod
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common, development

from asflown.link import wire
from asflown.link.air import Air
from asflown.link.profile import load_profile
from asflown.link.wire import FrameReader
from tests.unit.link.frames import Sender, with_flags

REFERENCE = crcmod.mkCrcFun(0x11021, initCrc=0xFFFF, rev=True, xorOut=0)

VERSION_1 = bytes.fromhex("fe09000101000000000002000003031985")  # OC-MAV-11
VERSION_2 = bytes.fromhex("fd0900000001010000000000000002000003038346")  # OC-MAV-12
FIRST_BYTE_STAYS = bytes.fromhex("fd010000000101020000000531")  # OC-MAV-15
SIGNED = bytes.fromhex("fd09010000010100000000000000020000030364be03a08601000000f337c89a2a2d")  # OC-MAV-16


def test_checksum_check_value() -> None:
    """OC-MAV-01 and -02: CRC-16/MCRF4XX of the nine digits; its complement would be another standard's."""
    assert wire.checksum(b"123456789") == 0x6F91
    assert wire.checksum(b"123456789") ^ 0xFFFF == 0x906E


def test_checksum_of_one_zero_byte() -> None:
    """OC-MAV-03: the accumulation step."""
    assert wire.checksum(b"\x00") == 0x0F87


@given(st.binary(max_size=300))
def test_checksum_agrees_with_a_reference(data: bytes) -> None:
    """OC-MAV-01: crcmod, made from polynomial, start value and reflection, on any bytes."""
    assert wire.checksum(data) == REFERENCE(data)


# OC-MAV-04 to -08: MAVLink definitions by the published CRC_EXTRA rule.
EXTRA = {
    "OC-MAV-04": {0: 50, 1: 124, 2: 137, 4: 237},
    "OC-MAV-05": {20: 214, 21: 159, 22: 220, 23: 168},
    "OC-MAV-06": {24: 24, 30: 39, 32: 185, 33: 104, 74: 20, 147: 154, 245: 130},
    "OC-MAV-07": {69: 243, 70: 124, 75: 158, 76: 152, 77: 143, 82: 49, 84: 143, 86: 5},
    "OC-MAV-08": {
        44: 221, 47: 153, 73: 38, 93: 47, 107: 108, 109: 185, 111: 34, 113: 124, 148: 178, 242: 104,
        244: 95, 253: 83, 256: 71, 435: 134, 436: 193,
    },
}  # fmt: skip


@pytest.mark.parametrize("row", EXTRA)
def test_the_extra_byte_of_each_message(row: str) -> None:
    """The published numbers are those that frames are checked with."""
    assert {number: wire.CRC_EXTRA[number] for number in EXTRA[row]} == EXTRA[row]


@pytest.mark.parametrize("frame", [VERSION_1, VERSION_2], ids=["OC-MAV-11", "OC-MAV-12"])
def test_the_published_frame_is_taken_and_read(frame: bytes) -> None:
    """HEARTBEAT of system 1, component 1, sequence 0, in both versions; no flipped bit of it is."""
    assert FrameReader().feed(frame) == [frame]
    header = wire.message_id(frame), wire.sequence(frame), wire.system_id(frame), wire.component_id(frame)
    assert header == (0, 0, 1, 1)
    for at in range(1, len(frame)):
        broken = frame[:at] + bytes([frame[at] ^ 0x10]) + frame[at + 1 :]
        assert [heard for heard in FrameReader().feed(broken) if wire.is_known(heard)] == []


def test_overheads_and_longest_frames() -> None:
    """OC-MAV-13 (Packet Serialization): 8, 12 and 25 bytes around the payload; at most 263 and 280."""
    payloads = [frame[1] for frame in (VERSION_1, VERSION_2, SIGNED)]
    overheads = [len(f) - size for f, size in zip((VERSION_1, VERSION_2, SIGNED), payloads, strict=True)]
    assert (
        overheads == [wire.OVERHEAD_1, wire.OVERHEAD_2, wire.OVERHEAD_2 + wire.SIGNATURE_BYTES] == [8, 12, 25]
    )
    assert (255 + wire.OVERHEAD_1, wire.LONGEST_FRAME) == (263, 280)


def test_the_longest_frames_pass() -> None:
    """OC-MAV-13: an unsigned FILE_TRANSFER_PROTOCOL and TUNNEL, and a signed frame of 280 bytes."""
    longest = Sender().pack(common.MAVLink_file_transfer_protocol_message(1, 2, 3, [255] * 251))
    signed = with_flags(longest[:1] + b"\xff" + longest[2:-2] + b"\x01" + longest[-2:], 1, 84, bytes(13))
    assert (len(longest), len(signed)) == (266, 280)
    assert wire.CRC_EXTRA[110] == 84
    assert FrameReader().feed(longest + signed) == [longest, signed]


def test_cut_zeros_are_read_as_zeros_and_an_uncut_payload_is_taken_too() -> None:
    """OC-MAV-14 (Empty-Byte Payload Truncation): COMMAND_LONG of 32 bytes instead of 33."""
    cut = bytes(
        common.MAVLink_command_long_message(1, 1, 400, 0, 1, 0, 0, 0, 0, 0, 0).pack(
            common.MAVLink(None, 1, 1)
        )
    )
    assert (cut[1], len(cut), cut[-2:].hex()) == (0x20, 44, "3bf3")
    body = b"\x21" + cut[2:-2] + b"\x00"
    uncut = b"\xfd" + body + REFERENCE(body + b"\x98").to_bytes(2, "little")
    assert FrameReader().feed(cut + uncut) == [cut, uncut]
    assert wire.target_of(cut) == wire.target_of(uncut) == (1, 1)


def test_a_payload_of_nothing_but_zeros_keeps_one() -> None:
    """OC-MAV-15: SYSTEM_TIME of 13 bytes."""
    assert FrameReader().feed(FIRST_BYTE_STAYS) == [FIRST_BYTE_STAYS]
    assert wire.message_id(FIRST_BYTE_STAYS) == 2


def test_a_signed_frame_has_thirteen_bytes_more() -> None:
    """OC-MAV-16 (Message Signing): taken whole, with another behind it; the signature is as the guide computes it."""
    assert FrameReader().feed(SIGNED + VERSION_2) == [SIGNED, VERSION_2]
    assert hashlib.sha256(bytes(range(32)) + SIGNED[:-6]).digest()[:6] == SIGNED[-6:]


@pytest.mark.parametrize("flags", [2, 3, 0x80], ids=hex)
def test_a_frame_with_an_unknown_incompatibility_flag_is_dropped(flags: int) -> None:
    """OC-MAV-19 (Incompatibility Flags): it and nothing else, whole or in pieces."""
    strange = with_flags(VERSION_2, flags, 50, bytes(13 if flags & 1 else 0))
    for stream in (VERSION_2 + strange + VERSION_2, strange + VERSION_2):
        at_once, in_pieces = FrameReader(), FrameReader()
        assert set(at_once.feed(stream)) == {VERSION_2}
        assert {heard for byte in stream for heard in in_pieces.feed(bytes([byte]))} == {VERSION_2}
        assert at_once.frames_incompatible == in_pieces.frames_incompatible == 1


@given(st.integers(0, 255))
def test_any_compatibility_flags_are_accepted(flags: int) -> None:
    """OC-MAV-19 (Compatibility Flags): they do not keep a frame from being read."""
    body = VERSION_2[1:3] + bytes([flags]) + VERSION_2[4:-2]
    frame = b"\xfd" + body + REFERENCE(body + b"\x32").to_bytes(2, "little")
    assert FrameReader().feed(frame) == [frame]


def test_loss_is_counted_from_gaps_modulo_256() -> None:
    """OC-MAV-22 (Packet Loss Calculation): from 250 to 3, eight are missing; none between neighbours."""
    assert wire.frames_lost(250, 3) == 8
    assert wire.frames_lost(255, 0) == wire.frames_lost(7, 8) == 0


def test_air_time_at_57600_baud() -> None:
    """OC-MAV-28 (ten bits a byte): 3.646 ms for a HEARTBEAT, 11.285 ms for a set-point, 22.6 % for 20 a second."""
    rate = load_profile("wired-serial").down_lane.rate_bytes_per_s
    assert rate == 5760
    set_point = with_flags(Sender().set_point(8.0), 0, 143)
    uncut = set_point[:-2].ljust(63, b"\x00")
    assert Air(rate).leaves_us(0, len(VERSION_2)) == pytest.approx(3_646, abs=0.5)
    assert Air(rate).leaves_us(0, len(uncut) + 2) == pytest.approx(11_285, abs=0.5)
    assert 20 * 65 / rate == pytest.approx(0.226, abs=5e-4)


numbers = st.sampled_from(
    sorted(set(development.mavlink_map) - {256})
)  # SETUP_SIGNING: keys have no place here


@given(st.lists(st.tuples(numbers, st.integers(0, 2**32 - 1)), max_size=15), st.booleans())
def test_streams_are_cut_as_pymavlink_cuts_them(picks: list[tuple[int, int]], version_1: bool) -> None:
    """Messages of every kind with random payloads, in one buffer: the same frames in the same order."""
    frames = [random_frame(number, seed, version_1 and number < 256) for number, seed in picks]
    reference = development.MAVLink(None)
    parsed = reference.parse_buffer(bytearray(b"".join(frames))) or []
    assert (
        FrameReader().feed(b"".join(frames)) == frames == [bytes(message.get_msgbuf()) for message in parsed]
    )


def random_frame(number: int, seed: int, version_1: bool) -> bytes:
    """A frame of message `number` whose payload is random bytes of its base length."""
    message = development.mavlink_map[number]
    payload = np.random.default_rng(seed).bytes(message.unpacker.size)
    if version_1:
        body = bytes([len(payload), 5, 1, 1, number]) + payload
    else:
        payload = payload.rstrip(b"\x00") or b"\x00"
        body = bytes([len(payload), 0, 0, 5, 1, 1]) + number.to_bytes(3, "little") + payload
    check: int = REFERENCE(body + bytes([message.crc_extra]))
    return (b"\xfe" if version_1 else b"\xfd") + body + check.to_bytes(2, "little")

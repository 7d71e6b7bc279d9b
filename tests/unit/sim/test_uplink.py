"""Uplink frames: both protocol versions, payloads of any length, and bytes from hell."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common as mav
from pymavlink.generator.mavcrc import x25crc

from asflown.sim.uplink import Uplink
from tests.unit.sim.rig import Rig

ARM = mav.MAVLink_command_long_message(1, 1, 400, 0, 1, 0, 0, 0, 0, 0, 0)


def framed(payload: bytes, message_id: int, crc_extra: int, *, incompatible: int = 0) -> bytes:
    """A MAVLink 2 frame around any payload, with a right checksum."""
    head = bytes([len(payload), incompatible, 0, 0, 255, 190]) + message_id.to_bytes(3, "little")
    checksum = x25crc(head + payload)
    checksum.accumulate(bytes([crc_extra]))
    return b"\xfd" + head + payload + int(checksum.crc).to_bytes(2, "little")


@pytest.mark.parametrize("version_1", [True, False], ids=["version 1", "version 2"])
def test_both_protocol_versions_are_understood(version_1: bool) -> None:
    """A command in either version is carried out, and answered in version 2."""
    rig = Rig()
    rig.send(ARM, version_1=version_1)
    rig.run(0.1)
    assert rig.armed()
    assert {frame[0] for frame in rig.frames} == {0xFD}


def test_a_longer_payload_than_known_is_read_as_far_as_known() -> None:
    """TIMESYNC of the current definitions has two bytes more than this pymavlink knows."""
    payload = (0).to_bytes(8, "little") + (1234).to_bytes(8, "little") + b"\x01\x01"
    message = Uplink().decode(framed(payload, 111, 34))
    assert message is not None
    assert (message.tc1, message.ts1) == (0, 1234)


def test_a_shorter_payload_is_filled_up_with_zeros() -> None:
    """A frame cut down to one byte still decodes."""
    message = Uplink().decode(framed(b"\x07", 0, 50))
    assert message is not None
    assert (message.custom_mode, message.type) == (7, 0)


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        (framed(b"\x07", 0, 50, incompatible=0x02), "unknown incompatibility flag"),
        (framed(b"\x07", 0, 51), "wrong checksum"),
        (framed(b"\x07", 9_999, 0), "unknown message"),
        (framed(b"\x07", 0, 50)[:-3], "cut off"),
        (framed(b"\x07", 0, 50) + b"\x00", "too long"),
        (b"", "empty"),
        (b"\x55" * 40, "no start byte"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_cannot_be_understood_is_counted_and_dropped(frame: bytes, why: str) -> None:
    """None of it raises, and none of it counts as a message."""
    uplink = Uplink()
    assert uplink.decode(frame) is None
    assert (uplink.accepted, uplink.rejected) == (0, 1)


def test_a_signed_frame_is_read_without_its_signature() -> None:
    """The vehicle has no key; a signature neither helps nor hurts."""
    frame = framed(b"\x07", 0, 50, incompatible=0x01) + bytes(13)
    assert Uplink().decode(frame) is not None


@given(st.binary(max_size=300))
def test_no_bytes_can_make_the_decoder_raise(rubbish: bytes) -> None:
    """Any bytes, with or without a start byte."""
    uplink = Uplink()
    for frame in (rubbish, b"\xfd" + rubbish, b"\xfe" + rubbish):
        uplink.decode(frame)


MESSAGE_IDS = sorted(mav.mavlink_map)


@given(message_id=st.sampled_from(MESSAGE_IDS), payload=st.binary(min_size=1, max_size=255))
def test_no_valid_frame_of_any_content_can_make_the_craft_raise(message_id: int, payload: bytes) -> None:
    """Every message of the dialect with arbitrary contents, NaN and infinity included, on the ground and flying."""
    rig = HOSTED[payload[0] % 2]
    addressed = bytearray(payload)
    frame = framed(bytes(addressed), message_id, mav.mavlink_map[message_id].crc_extra)
    rig.craft.receive(frame)
    rig.run(0.02)


def _flying() -> Rig:
    rig = Rig()
    rig.command(400, 1)
    rig.command(22, 0, 0, 0, 0, 0, 0, 5)
    rig.run(6)
    return rig


HOSTED = (Rig(), _flying())
"""Two craft that take all the abuse, one on the ground, one in the air."""

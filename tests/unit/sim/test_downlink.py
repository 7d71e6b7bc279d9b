"""Downlink: sequence numbers, and texts of any length."""

from __future__ import annotations

from copy import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.sim.downlink import Downlink


def decoded(downlink: Downlink) -> list[Any]:
    """What a receiver reads."""
    decoder = mav.MAVLink(None)
    return [decoder.decode(bytearray(frame)) for frame in downlink.take()]


def test_frames_are_numbered_without_gaps_modulo_256() -> None:
    """300 frames: 0 to 255, then 0 to 43."""
    downlink = Downlink(system=7)
    for _ in range(300):
        downlink.send(mav.MAVLink_system_time_message(1, 1))
    messages = decoded(downlink)
    assert [message.get_seq() for message in messages] == [number % 256 for number in range(300)]
    assert {(message.get_srcSystem(), message.get_srcComponent()) for message in messages} == {(7, 1)}


@pytest.mark.parametrize(
    "message",
    [
        mav.MAVLink_attitude_message(1, 0.1, -0.2, 3.0, 0.0, 0.0, 0.0),
        mav.MAVLink_system_time_message(0, 0),
        mav.MAVLink_statustext_message(6, b"id is a field", 7, 2),
        mav.MAVLink_battery_status_message(3, 1, 0, 0x7FFF, [3700] * 10, -1, -1, -1, 80),
        mav.MAVLink_raw_imu_message(5, 1, 2, 3, 4, 5, 6, 7, 8, 9, id=4),
        mav.MAVLink_heartbeat_message(2, 0, 81, 4302, 3, 3),
        development.MAVLink_current_mode_message(1, 4302, 0),
    ],
    ids=lambda message: str(message.get_type()),
)
def test_frames_are_those_of_pymavlink(message: Any) -> None:
    """Byte for byte, whatever is zero at the end and whatever fields are called."""
    reference = mav.MAVLink(None, srcSystem=9, srcComponent=1)
    expected = [bytes(type(message).pack(copy(message), reference))]
    downlink = Downlink(system=9)
    downlink.send(message)
    assert downlink.take() == expected


def test_a_text_of_fifty_bytes_needs_no_chunks() -> None:
    """Its id is 0: not a chunk."""
    downlink = Downlink(1)
    downlink.text(6, "x" * 50)
    assert [(m.text, m.id, m.chunk_seq) for m in decoded(downlink)] == [("x" * 50, 0, 0)]


@given(st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126), min_size=51, max_size=240))
def test_the_chunks_of_a_long_text_add_up(text: str) -> None:
    """Numbered from 0, of one id, ended by a chunk that is not full."""
    downlink = Downlink(1)
    downlink.text(6, text)
    chunks = decoded(downlink)
    assert "".join(chunk.text for chunk in chunks) == text
    assert [chunk.chunk_seq for chunk in chunks] == list(range(len(chunks)))
    assert {chunk.id for chunk in chunks} == {1}
    assert len(chunks[-1].text) < 50


def test_the_same_refusal_is_not_repeated_within_three_seconds() -> None:
    """A stream of wrong messages does not fill the link with words."""
    downlink = Downlink(1)
    for now_us in (0, 1_000_000, 2_999_999, 3_000_000, 3_100_000):
        downlink.refusal("no", now_us)
    assert len(decoded(downlink)) == 2

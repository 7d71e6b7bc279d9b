"""Downlink: sequence numbers, and texts of any length."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common as mav

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

"""The box of frames for a slow party."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from asflown.link.outbox import Outbox

LIMIT_BYTES = 60

steps = st.lists(st.one_of(st.binary(min_size=1, max_size=30), st.integers(0, 80)), max_size=40)


@given(steps)
def test_frames_leave_whole_in_order_and_all_are_accounted_for(steps: list[bytes | int]) -> None:
    """Put and write anything: what leaves is a sequence of whole frames, each put one leaves, waits, or gave way."""
    box = Outbox(LIMIT_BYTES)
    put = gave_way = left = 0
    out = b""
    for step in steps:
        if isinstance(step, bytes):
            frame = b"<" + step.hex().encode() + b">"
            gave_way += box.put(frame)
            put += 1
        else:
            count = min(step, len(box.waiting()))
            out += box.waiting()[:count]
            left += box.written(count)
        assert put == left + gave_way + len(box)
        assert bool(box) == (len(box) > 0) == (box.waiting() != b"")
        assert len(box.waiting()) <= max(LIMIT_BYTES, 62) + 62
    whole = out + box.waiting()
    assert whole.count(b"<") == whole.count(b">") == left + len(box)
    assert b"<<" not in whole.replace(b"><", b"")


def test_the_oldest_give_way_and_a_begun_one_stays() -> None:
    """Of three that fill the box, the second goes for the fourth when the first has begun to leave."""
    box = Outbox(9)
    for frame in (b"aaa", b"bbb", b"ccc"):
        assert box.put(frame) == 0
    assert box.written(1) == 0
    assert box.put(b"ddd") == 0
    assert box.put(b"eee") == 1
    assert box.waiting() == b"aacccdddeee"


def test_a_frame_larger_than_the_box_still_goes() -> None:
    """The newest always has room."""
    box = Outbox(2)
    assert box.put(b"abcd") == 0
    assert box.written(4) == 1

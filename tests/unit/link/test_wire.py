"""Cutting bytes into frames: whole, byte for byte, whatever comes."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import development

from asflown.link import wire
from asflown.link.wire import FrameReader
from tests.unit.link.frames import Sender, unknown, with_flags

SENDER = Sender()
HEARTBEAT = SENDER.heartbeat()
SIGNATURE = bytes(range(13))
SAMPLES = [
    HEARTBEAT,
    Sender(version_1=True).heartbeat(),
    SENDER.command(),
    Sender(version_1=True).command(),
    SENDER.text("a box with a blue lid"),
    SENDER.set_point(8.0),
    unknown(),
    unknown(bytes(255)),
    with_flags(HEARTBEAT, 1, 50, SIGNATURE),
]

frames_strategy = st.lists(st.sampled_from(SAMPLES), max_size=12)
noise_strategy = st.binary(max_size=40)


def feed_in_chunks(reader: FrameReader, data: bytes, cuts: list[int]) -> list[bytes]:
    """Everything a reader makes of `data`, cut at `cuts`."""
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    pieces = [data[start:end] for start, end in pairwise(edges)]
    return [frame for piece in pieces for frame in reader.feed(piece)]


@pytest.mark.parametrize("frame", SAMPLES, ids=range(len(SAMPLES)))
def test_a_datagram_of_one_frame_is_that_frame(frame: bytes) -> None:
    """Version 1, version 2, cut payloads, signed and unknown ones pass byte for byte."""
    reader = FrameReader()
    assert reader.feed(frame) == [frame]
    assert (reader.bytes_rubbish, reader.waiting) == (0, 0)


@given(frames_strategy, st.lists(st.integers(0, 4000)))
def test_any_chunking_gives_the_same_frames(frames: list[bytes], cuts: list[int]) -> None:
    """A clean stream is cut into exactly its frames."""
    reader = FrameReader()
    assert feed_in_chunks(reader, b"".join(frames), cuts) == frames
    assert reader.bytes_rubbish == 0


@given(st.lists(st.sampled_from(SAMPLES) | noise_strategy, max_size=12), st.lists(st.integers(0, 4000)))
def test_chunking_makes_no_difference_to_a_dirty_stream_either(pieces: list[bytes], cuts: list[int]) -> None:
    """The same bytes give the same frames, the same rubbish, and the same remainder."""
    data = b"".join(pieces)
    at_once, in_pieces = FrameReader(), FrameReader()
    frames = at_once.feed(data)
    assert feed_in_chunks(in_pieces, data, cuts) == frames
    for reader in (at_once, in_pieces):
        assert sum(map(len, frames)) + reader.bytes_rubbish + reader.waiting == len(data)
    assert in_pieces.bytes_rubbish == at_once.bytes_rubbish


@given(noise_strategy, st.sampled_from([HEARTBEAT, SENDER.command()]))
def test_known_frames_are_found_again_after_rubbish(noise: bytes, frame: bytes) -> None:
    """Within the longest frame's bytes after any rubbish, known frames come through again."""
    reader = FrameReader()
    count = 2 + 2 * wire.LONGEST_FRAME // len(frame)
    heard = reader.feed(noise + frame * count)
    assert heard[-1] == frame
    assert reader.feed(frame) == [frame]


def test_ten_thousand_mutated_frames_raise_nothing() -> None:
    """Bits flipped, bytes cut out, doubled or inserted: counted, bounded, and never an exception."""
    source = random.Random(20_260_117)
    reader = FrameReader()
    fed = heard = 0
    for _ in range(10_000):
        data = bytearray(source.choice(SAMPLES))
        for _ in range(source.randint(1, 4)):
            mutate(data, source)
        fed += len(data)
        heard += sum(map(len, reader.feed(bytes(data))))
        assert reader.waiting <= wire.LONGEST_FRAME + 1
    assert heard + reader.bytes_rubbish + reader.waiting == fed


def mutate(data: bytearray, source: random.Random) -> None:
    """One random change of `data`."""
    at = source.randrange(len(data) + 1)
    kind = source.randrange(4)
    if kind == 0 and at < len(data):
        data[at] ^= 1 << source.randrange(8)
    elif kind == 1:
        del data[at : at + source.randint(1, 20)]
    elif kind == 2:
        data[at:at] = source.randbytes(source.randint(1, 20))
    else:
        data[at:at] = data[: source.randint(0, len(data))]


@given(st.sampled_from([HEARTBEAT, SENDER.command(), SENDER.set_point(1.0)]), st.data())
def test_a_flipped_bit_never_passes_as_the_same_message(frame: bytes, data: st.DataObject) -> None:
    """The checksum finds each single flipped bit, unless it made the message one that nobody knows."""
    bit = data.draw(st.integers(8, 8 * len(frame) - 1))
    broken = bytearray(frame)
    broken[bit // 8] ^= 1 << bit % 8
    for heard in FrameReader().feed(bytes(broken) + HEARTBEAT * 20):
        assert heard == HEARTBEAT or not wire.is_known(heard)


def test_noise_gives_hardly_any_frames() -> None:
    """A megabyte of random bytes: no known message at all, and of unknown ones next to none."""
    reader = FrameReader()
    source = random.Random(7)
    frames = [frame for _ in range(250) for frame in reader.feed(source.randbytes(4_000))]
    assert len(frames) <= 3
    assert [frame for frame in frames if wire.is_known(frame)] == []


def test_an_unknown_message_after_rubbish_waits_for_the_next_start_byte() -> None:
    """It cannot be checked, so something must show that it ends where it says."""
    reader = FrameReader()
    assert reader.feed(b"\x00" + unknown()) == []
    assert reader.feed(HEARTBEAT) == [unknown(), HEARTBEAT]
    assert reader.feed(unknown()) == [unknown()]


def test_an_unknown_incompatibility_flag_drops_the_frame_and_nothing_else() -> None:
    """It is counted, and the frame behind it comes through."""
    reader = FrameReader()
    assert reader.feed(with_flags(HEARTBEAT, 2, 50) + HEARTBEAT) == [HEARTBEAT]
    assert (reader.frames_incompatible, reader.bytes_rubbish) == (1, len(HEARTBEAT))


def test_reset_forgets_an_unfinished_frame() -> None:
    """A new connection starts clean; what was begun counts as rubbish."""
    reader = FrameReader()
    reader.feed(HEARTBEAT[:10])
    reader.reset()
    assert reader.feed(HEARTBEAT) == [HEARTBEAT]
    assert reader.bytes_rubbish == 10


@pytest.mark.parametrize("version_1", [True, False], ids=["version 1", "version 2"])
def test_the_header_is_read_without_decoding(version_1: bool) -> None:
    """Message, sequence, system and component."""
    sender = Sender(7, 190, version_1=version_1)
    sender.heartbeat()
    frame = sender.command((3, 4))
    assert wire.message_id(frame) == 76
    assert wire.sequence(frame) == 1
    assert (wire.system_id(frame), wire.component_id(frame)) == (7, 190)
    assert wire.target_of(frame) == (3, 4)


def test_targets_that_were_cut_off_are_zero() -> None:
    """A version 2 payload is cut behind its last byte that is not zero."""
    assert wire.target_of(SENDER.acknowledge((0, 0))) == (0, 0)
    assert wire.target_of(SENDER.acknowledge((255, 0))) == (255, 0)
    assert wire.target_of(SENDER.sticks(0, target=9)) == (9, 0)


def test_messages_without_target_have_none() -> None:
    """Broadcasts and messages that nobody knows."""
    assert wire.target_of(HEARTBEAT) is None
    assert wire.target_of(unknown()) is None


@pytest.mark.parametrize("number", sorted(wire.TARGET_PLACE), ids=str)
def test_target_fields_are_where_the_dialect_packs_them(number: int) -> None:
    """Every message with a target, packed by pymavlink with all else zero, gives it back."""
    message = development.mavlink_map[number]
    values = [zero(kind) for kind in message.fieldtypes]
    for index, count in enumerate(message.array_lengths):
        field = message.fieldnames.index(message.ordered_fieldnames[index])
        if count and message.fieldtypes[field] != "char":
            values[field] = [zero(message.fieldtypes[field])] * count
    names = message.fieldnames
    values[names.index("target_system" if "target_system" in names else "target")] = 17
    if "target_component" in names:
        values[names.index("target_component")] = 34
    frame = bytes(message(*values).pack(development.MAVLink(None, 1, 1)))
    assert wire.target_of(frame) == (17, 34 if "target_component" in names else 0)


def zero(kind: str) -> object:
    """A zero of a field type."""
    return {"char": b"", "float": 0.0, "double": 0.0}.get(kind, 0)

"""Tlog reading and writing against pymavlink's own reader, message by message and field by field.

Rows OC-MAV-10, 13 and 23 of the outside checks.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from pymavlink import mavutil
from pymavlink.dialects.v20 import common, development
from pymavlink.generator.mavcrc import x25crc

from asflown.record import decode, layout
from asflown.record.capture import Recorder
from tests.unit.record.frames import packed, raw_v2, write_tlog

IDS = sorted(development.mavlink_map)


@pytest.fixture(autouse=True)
def _development_dialect() -> Any:
    """The reader takes the dialect that has every message we decode; set back afterwards."""
    before = mavutil.mavlink
    mavutil.set_dialect("development")
    yield
    mavutil.mavlink = before


def read_by_pymavlink(path: Path) -> list[Any]:
    """Every message of a tlog, by pymavlink."""
    reader = mavutil.mavlogfile(str(path))
    messages = []
    while (message := reader.recv_msg()) is not None:
        messages.append(message)
    reader.close()
    return messages


def same(ours: Any, theirs: Any) -> bool:
    """Equal numbers, texts or arrays; two not-a-numbers are equal."""
    if isinstance(theirs, list):
        return len(ours) == len(theirs) and all(same(a, b) for a, b in zip(ours, theirs, strict=True))
    if isinstance(theirs, float) and math.isnan(theirs):
        return bool(np.isnan(ours))
    if isinstance(theirs, str):
        return decode.text(ours) == theirs
    return bool(ours == theirs)


def random_payload(random: np.random.Generator, fields: np.dtype[np.void], length: int) -> bytes:
    """Any bytes; in text fields ASCII, zeros included, because pymavlink has a way of its own with the rest."""
    payload = random.integers(0, 256, fields.itemsize, np.uint8)
    for name in fields.names or ():
        if fields[name].kind == "S":
            offset = fields.fields[name][1] if fields.fields else 0
            payload[offset : offset + fields[name].itemsize] &= 0x7F
    return payload[:length].tobytes()


@pytest.mark.parametrize("message_id", IDS, ids=[development.mavlink_map[n].msgname for n in IDS])
def test_every_field_of_every_message_reads_as_in_pymavlink(tmp_path: Path, message_id: int) -> None:
    """Random payloads, full and cut: each field of each message has the value that pymavlink gives it."""
    random = np.random.default_rng(message_id)
    described = layout.layout(message_id)
    assert described is not None
    size = described.dtype.itemsize
    lengths = [size, size, *random.integers(1, size + 1, 6).tolist()]
    payloads = [random_payload(random, described.dtype, length) for length in lengths]
    path = write_tlog(tmp_path / "a.tlog", [raw_v2(message_id, payload) for payload in payloads])
    theirs = read_by_pymavlink(path)
    ours = decode.columns(decode.index(path), message_id)
    assert len(ours) == len(theirs) == len(payloads)
    for row, reference in zip(ours, theirs, strict=True):
        assert row["time_us"] == round(reference._timestamp * 1e6)
        for name in reference.get_fieldnames():
            assert same(row[name], getattr(reference, name)), name


COMMON = sorted(common.mavlink_map)


def _values(kind: str) -> st.SearchStrategy[float | int]:
    """Any number of a field's type, its ends, infinities and not-a-numbers among them."""
    dtype = np.dtype(kind)
    if dtype.kind == "f":
        return st.floats(width=32 if dtype.itemsize == 4 else 64)
    ends = np.iinfo(dtype)
    return st.integers(int(ends.min), int(ends.max))


@st.composite
def _messages(draw: st.DrawFn, message_id: int) -> Any:
    """A message with any value in each of its fields, made by pymavlink's own class."""
    message = common.mavlink_map[message_id]
    described = layout.layout(message_id)
    assert described is not None
    values: dict[str, Any] = {}
    for name in message.fieldnames:
        field = described.dtype[name]
        if field.kind == "S":
            ascii_text = st.text(st.characters(min_codepoint=1, max_codepoint=127), max_size=field.itemsize)
            values[name] = draw(ascii_text).encode()
        elif field.subdtype is not None:
            base, (count,) = field.subdtype
            values[name] = draw(st.lists(_values(base.str), min_size=count, max_size=count))
        else:
            values[name] = draw(_values(field.str))
    return message(**values)


@pytest.mark.parametrize("message_id", COMMON, ids=[common.mavlink_map[n].msgname for n in COMMON])
@given(data=st.data(), v1=st.booleans())
@settings(max_examples=4, phases=[Phase.explicit, Phase.generate], suppress_health_check=list(HealthCheck))
def test_every_common_message_packed_by_pymavlink_reads_back(
    tmp_path_factory: pytest.TempPathFactory, message_id: int, data: st.DataObject, v1: bool
) -> None:
    """Any field values of each message of `common`, packed by pymavlink: ours and pymavlink's readers agree on all."""
    frame = packed(data.draw(_messages(message_id)), v1=v1 and message_id < 256)
    path = write_tlog(tmp_path_factory.mktemp("any") / "a.tlog", [frame])
    [theirs] = read_by_pymavlink(path)
    [row] = decode.columns(decode.index(path), message_id)
    for name in theirs.get_fieldnames():
        assert same(row[name], getattr(theirs, name)), name


def test_counts_of_a_mixed_capture_are_those_of_pymavlink(tmp_path: Path) -> None:
    """A capture of all messages in random order: as many of each as pymavlink counts, in the same order."""
    random = np.random.default_rng(1)
    ids = random.choice(IDS, 1500)
    frames = [raw_v2(int(n), random.integers(0, 256, 20, np.uint8).tobytes()) for n in ids]
    path = write_tlog(tmp_path / "a.tlog", frames)
    theirs = read_by_pymavlink(path)
    index = decode.index(path)
    assert index.message_id.tolist() == [message.get_msgId() for message in theirs] == ids.tolist()
    assert index.sequence.tolist() == [message.get_seq() for message in theirs]


def test_tlog_record_as_published(tmp_path: Path) -> None:
    """OC-MAV-23: the heartbeat of OC-MAV-12 at a known time; pymavlink reads back what the recorder wrote."""
    stamp_us = 1_735_689_600_123_456
    recorder = Recorder(tmp_path, stamp_us - 456)
    recorder.frame("vehicle", 456, bytes.fromhex("fd0900000001010000000000000002000003038346"))
    recorder.close()
    written = (tmp_path / "vehicle.tlog").read_bytes()
    assert len(written) == 29
    assert written.hex() == "00062a99ba0e4240" + "fd0900000001010000000000000002000003038346"
    [message] = read_by_pymavlink(tmp_path / "vehicle.tlog")
    assert message._timestamp == 1735689600.123456
    assert decode.index(tmp_path / "vehicle.tlog").time_us.tolist() == [stamp_us]


def test_a_recorded_capture_opens_as_any_other_log(tmp_path: Path) -> None:
    """What the recorder wrote opens by pymavlink's ordinary call, and merging the taps by stamp gives their order."""
    recorder = Recorder(tmp_path, 1_735_689_600_000_000)
    order = [("vehicle", "script", "station")[n] for n in np.random.default_rng(2).integers(0, 3, 200)]
    for number, tap in enumerate(order):
        message = development.MAVLink_system_time_message(0, number)
        frame = message.pack(development.MAVLink(None, srcSystem=1, srcComponent=1))
        recorder.frame(tap, number // 10, bytes(frame))  # type: ignore[arg-type]
    recorder.close()
    merged: list[tuple[int, str]] = []
    for tap in ("vehicle", "script", "station"):
        reader = mavutil.mavlink_connection(str(tmp_path / f"{tap}.tlog"))
        while (message := reader.recv_match()) is not None:
            merged.append((round(message._timestamp * 1e6), tap))
        reader.close()
    assert [tap for _, tap in sorted(merged)] == order


# OC-MAV-10: lengths of today's definitions, which are longer than what pymavlink 2.4.50 knows.
LONGER_TODAY = {
    "TIMESYNC": 18,
    "MISSION_COUNT": 9,
    "MISSION_ACK": 8,
    "MISSION_CURRENT": 18,
    "SET_ATTITUDE_TARGET": 51,
}


@pytest.mark.parametrize(("name", "length"), LONGER_TODAY.items(), ids=LONGER_TODAY.keys())
def test_messages_longer_than_known_decode(tmp_path: Path, name: str, length: int) -> None:
    """OC-MAV-10: a payload of today's length gives the fields we know, and the rest is left aside."""
    number = layout.message_id(name)
    described = layout.layout(number)
    assert described is not None
    assert described.dtype.itemsize < length
    payload = bytes(range(1, length + 1))
    index = decode.index(write_tlog(tmp_path / "a.tlog", [raw_v2(number, payload)]))
    assert decode.columns(index, number).tobytes()[8:] == payload[: described.dtype.itemsize]


# OC-MAV-13: MAVLink guide, Packet Serialization.
LONGEST = {"v1": 263, "v2 signed": 280}


def test_longest_frames_are_read_whole(tmp_path: Path) -> None:
    """OC-MAV-13: the longest frames of both versions pass through the index byte for byte."""
    signed = raw_v2(131, bytes([1]) * 255, flags=1, signature=bytes(range(13)))
    v1_body = bytes([255, 0, 1, 1, 131]) + bytes([1]) * 255
    checksum = x25crc([*v1_body, development.mavlink_map[131].crc_extra]).crc
    v1 = b"\xfe" + v1_body + checksum.to_bytes(2, "little")
    index = decode.index(write_tlog(tmp_path / "a.tlog", [v1, signed, v1]))
    assert (len(v1), len(signed)) == (LONGEST["v1"], LONGEST["v2 signed"])
    assert [index.frame(n) for n in range(3)] == [v1, signed, v1]

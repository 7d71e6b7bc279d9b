"""The tlog reader: where frames are, what their fields say, and what is made of damaged files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v20 import development

from asflown.errors import FolderProblem
from asflown.record import decode, layout
from tests.unit.record.frames import EPOCH_US, heartbeat, packed, raw_v2, record, write_tlog

HEARTBEAT, ATTITUDE = 0, 30


def modes(index: decode.Index) -> list[int]:
    """The custom modes of all heartbeats: which of them were found."""
    return list(decode.columns(index, HEARTBEAT)["custom_mode"])


def test_columns_have_time_and_fields(tmp_path: Path) -> None:
    """Each field is a column with the standard's name and type, beside the stamp."""
    attitude = packed(development.MAVLink_attitude_message(1500, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6))
    table = decode.columns(decode.index(write_tlog(tmp_path / "a.tlog", [heartbeat(), attitude])), ATTITUDE)
    assert table.dtype.names == (
        "time_us",
        "time_boot_ms",
        "roll",
        "pitch",
        "yaw",
        "rollspeed",
        "pitchspeed",
        "yawspeed",
    )
    assert table["time_us"].tolist() == [EPOCH_US + 1000]
    assert table["time_boot_ms"].tolist() == [1500]
    np.testing.assert_array_equal(table["yaw"], np.array([0.3], np.float32))


def test_message_that_never_came_gives_no_rows(tmp_path: Path) -> None:
    """A known message that is not in the file has columns of length 0."""
    table = decode.columns(decode.index(write_tlog(tmp_path / "a.tlog", [heartbeat()])), ATTITUDE)
    assert len(table["roll"]) == 0


def test_message_unknown_to_the_dialect_is_a_key_error(tmp_path: Path) -> None:
    """Asking for a message that nobody knows is a mistake of the caller."""
    index = decode.index(write_tlog(tmp_path / "a.tlog", [heartbeat()]))
    with pytest.raises(KeyError):
        decode.columns(index, 60_001)


def test_columns_of_one_sender(tmp_path: Path) -> None:
    """Systems and components that share a link can be told apart."""
    frames = [heartbeat(n, system=1 + n % 2, component=1 + n // 2) for n in range(4)]
    index = decode.index(write_tlog(tmp_path / "a.tlog", frames))
    assert decode.columns(index, HEARTBEAT, system=2)["custom_mode"].tolist() == [1, 3]
    assert decode.columns(index, HEARTBEAT, system=2, component=2)["custom_mode"].tolist() == [3]


def test_versions_and_signatures_side_by_side(tmp_path: Path) -> None:
    """Version 1, version 2 and signed frames in one file are all read."""
    payload = (7).to_bytes(4, "little") + bytes([2, 0, 0, 3, 3])
    signed = raw_v2(HEARTBEAT, payload, flags=1, signature=bytes(13))
    index = decode.index(write_tlog(tmp_path / "a.tlog", [heartbeat(5, v1=True), heartbeat(6), signed]))
    assert modes(index) == [5, 6, 7]
    assert index.rubbish_bytes == 0


@pytest.mark.parametrize("length", range(1, 29))
def test_short_payload_is_filled_with_zeros(tmp_path: Path, length: int) -> None:
    """A payload cut anywhere reads as if zeros followed."""
    payload = bytes(range(1, 29))
    path = write_tlog(tmp_path / "a.tlog", [raw_v2(ATTITUDE, payload[:length]), heartbeat()])
    row = decode.columns(decode.index(path), ATTITUDE)
    assert row.tobytes()[8:] == payload[:length].ljust(28, b"\0")


def test_long_payload_is_cut(tmp_path: Path) -> None:
    """A payload with extensions that the layout does not have reads as if it had ended before them."""
    payload = bytes(range(1, 40))
    row = decode.columns(decode.index(write_tlog(tmp_path / "a.tlog", [raw_v2(ATTITUDE, payload)])), ATTITUDE)
    assert row.tobytes()[8:] == payload[:28]


def test_unknown_message_is_indexed_without_columns(tmp_path: Path) -> None:
    """A message of another dialect keeps its place in the index: a hub would have forwarded it."""
    unknown = raw_v2(60_001, b"abc", crc_extra=77)
    index = decode.index(write_tlog(tmp_path / "a.tlog", [heartbeat(1), unknown, heartbeat(2), unknown]))
    assert index.message_id.tolist() == [0, 60_001, 0, 60_001]
    assert index.frame(1) == unknown


def test_damaged_frame_is_left_out_and_counted(tmp_path: Path) -> None:
    """A wrong checksum drops that frame alone."""
    broken = bytearray(heartbeat(1))
    broken[12] ^= 0x40
    index = decode.index(write_tlog(tmp_path / "a.tlog", [heartbeat(0), bytes(broken), heartbeat(2)]))
    assert (modes(index), index.damaged_frames, index.rubbish_bytes) == ([0, 2], 1, 0)


RUBBISH = [b"\x00", b"\xfd", b"\xfe" * 30, bytes(range(256)), b"\xfd\x09\x00\x00\x00\x01\x01\x00\x00\x00"]


@pytest.mark.parametrize(
    "rubbish", RUBBISH, ids=["zero", "start byte", "v1 starts", "all bytes", "half frame"]
)
def test_rubbish_between_records_is_skipped(tmp_path: Path, rubbish: bytes) -> None:
    """Whatever lies between two records, both are found, and the rubbish is counted by the byte."""
    path = tmp_path / "a.tlog"
    path.write_bytes(record(0, heartbeat(0)) + rubbish + record(1, heartbeat(1)) + record(2, heartbeat(2)))
    index = decode.index(path)
    assert (modes(index), index.rubbish_bytes) == ([0, 1, 2], len(rubbish))
    assert index.time_us.tolist() == [EPOCH_US, EPOCH_US + 1000, EPOCH_US + 2000]


@pytest.mark.parametrize("kept", range(1, 29))
def test_cut_tail_loses_the_cut_record_alone(tmp_path: Path, kept: int) -> None:
    """A file cut at any byte of its last record (29 bytes) gives all records before it."""
    path = tmp_path / "a.tlog"
    path.write_bytes(record(0, heartbeat(0)) + record(1, heartbeat(1)) + record(2, heartbeat(2))[:kept])
    index = decode.index(path)
    assert (modes(index), index.rubbish_bytes) == ([0, 1], kept)


def test_empty_file_has_no_frames(tmp_path: Path) -> None:
    """A tap that saw nothing leaves an empty file, which is nothing wrong."""
    (tmp_path / "a.tlog").touch()
    assert len(decode.index(tmp_path / "a.tlog")) == 0


@pytest.mark.parametrize("content", [b"hello, this is a text\n" * 40, b"\xfd" * 5000, bytes(3)])
def test_file_without_any_frame_is_refused(tmp_path: Path, content: bytes) -> None:
    """A file that is no tlog is a folder problem that names the file and what a tlog is."""
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    with pytest.raises(FolderProblem) as caught:
        decode.index(path)
    assert str(caught.value) == (
        f"{path} has no MAVLink frame. Name a tlog: records of an 8-byte time stamp and a frame"
    )


def test_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing file is a folder problem with the system's reason."""
    with pytest.raises(FolderProblem, match="cannot be read \\(No such file or directory\\)"):
        decode.index(tmp_path / "a.tlog")


@given(chunks=st.lists(st.one_of(st.integers(0, 2**32 - 1), st.binary(max_size=40)), max_size=20))
def test_every_good_frame_is_found_in_any_rubbish(
    tmp_path_factory: pytest.TempPathFactory, chunks: list[int | bytes]
) -> None:
    """Frames (numbers) between rubbish (bytes): each is found, in order, and nothing else."""
    path = tmp_path_factory.mktemp("any") / "a.tlog"
    records = [record(n, heartbeat(c)) if isinstance(c, int) else c for n, c in enumerate(chunks)]
    path.write_bytes(record(0, heartbeat(1)) + b"".join(records))
    assert modes(decode.index(path)) == [1, *(chunk for chunk in chunks if isinstance(chunk, int))]


def test_every_layout_has_the_size_that_pymavlink_unpacks() -> None:
    """The structured type of each message is as long as pymavlink's own unpacker says."""
    for number, message in development.mavlink_map.items():
        described = layout.layout(number)
        assert described is not None
        assert described.dtype.itemsize == message.unpacker.size, message.msgname
        assert layout.message_id(message.msgname) == number


def test_blocks_change_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file is taken block by block: however large they are, the same frames are found."""
    unknown = raw_v2(60_001, b"abc" * 60, crc_extra=77)
    frames = [unknown if n % 7 in {1, 2, 3} else heartbeat(n) for n in range(400)]
    path = write_tlog(tmp_path / "a.tlog", frames)
    path.write_bytes(path.read_bytes() + b"rubbish" * 9 + record(500, heartbeat(500)) + record(501, unknown))
    whole = decode.index(path)
    for block in (400, 1000, 5000):
        monkeypatch.setattr("asflown.record.scan._BLOCK_BYTES", block)
        again = decode.index(path)
        assert again.frame_start.tolist() == whole.frame_start.tolist()
        assert again.rubbish_bytes == whole.rubbish_bytes == 63


def test_the_index_takes_what_it_says(tmp_path: Path) -> None:
    """Memory for each frame is that of the index's columns, whatever the file's size."""
    index = decode.index(write_tlog(tmp_path / "a.tlog", [heartbeat(n) for n in range(100)]))
    held = [getattr(index, name) for name in decode.Index.__slots__]
    arrays = [value for value in held[2:] if isinstance(value, np.ndarray)]
    assert sum(array.nbytes for array in arrays) == decode.INDEX_BYTES * 100

"""Damaged streams through the wire parser and the index of tlogs, and captures whose numbers are absurd."""

from __future__ import annotations

import struct
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pymavlink.dialects.v20 import development as mavlink

from asflown.errors import FolderProblem
from asflown.grade.grade import grade_flights_in
from asflown.record import vehicle_time
from asflown.record.foreign import capture_manifest
from asflown.scenario.file import load_scenario
from tests.hostile.frames import Flood
from tests.unit.record.frames import EPOCH_US, packed
from tests.unit.scenario.files import write_scenario


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck), database=None)
@given(seed=st.integers(0, 2**32))
def test_every_byte_of_a_damaged_stream_is_accounted_for(
    seed: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Sound frames among sound ones are found, what is found has a right checksum, and no byte is lost."""
    flood = Flood(Random(seed), frames=120)
    flood.run(tmp_path_factory.mktemp("flood"))


@pytest.mark.parametrize(
    "junk", [b"\xfd", b"\xfe", b"\xfd\xff\x00", b"\xfe\xff\x00\x00", bytes(range(256))], ids=range(5)
)
def test_a_stream_of_start_bytes_costs_no_more_than_its_length(junk: bytes, tmp_path: Path) -> None:
    """A megabyte of what looks like beginnings of frames, with one frame behind it: found, and the rest is rubbish."""
    frame = packed(mavlink.MAVLink_heartbeat_message(2, 0, 0, 0, 4, 3))
    file = tmp_path / "junk.tlog"
    file.write_bytes(junk * (1_000_000 // len(junk)) + struct.pack(">Q", EPOCH_US) + frame)
    from asflown.record import decode

    index = decode.index(file)
    assert index.frame(len(index) - 1) == frame


ABSURD = [0.0, -0.0, float("nan"), float("inf"), -1e38, 3e38, 1e-40]


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck), database=None)
@given(chance=st.randoms(use_true_random=False))
def test_a_capture_of_absurd_numbers_is_graded_or_refused(
    chance: Random, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whole frames with times and places at the edges of their types lead to a grade, or to an error that says why not."""
    folder = tmp_path_factory.mktemp("absurd")
    frames = []
    for number in range(chance.randint(1, 60)):
        stamp = chance.choice((EPOCH_US + number * 100_000, EPOCH_US, 0, 2**63 - 1, 2**64 - 1, 2**63))
        frames.append(struct.pack(">Q", stamp) + packed(_absurd(chance, number), sequence=number % 256))
    file = folder / "absurd.tlog"
    file.write_bytes(b"".join(frames))
    scenario = load_scenario(write_scenario(folder)).scenario
    try:
        capture_manifest(file, scenario.name, None)
        grade_flights_in(file, scenario)
    except FolderProblem:
        return


def _absurd(chance: Random, number: int) -> object:
    boot_ms = chance.choice((number * 100, 0, 2**32 - 1, 1, number * 50_000_000 % 2**32))
    numbers = [chance.choice((*ABSURD, 1.0, number * 0.1)) for _ in range(6)]
    whole = [chance.choice((0, 1, -(2**31), 2**31 - 1, 520_000_000)) for _ in range(4)]
    return chance.choice((
        mavlink.MAVLink_heartbeat_message(2, chance.choice((0, 8)), chance.choice((0, 128)), 0, 4, 3),
        mavlink.MAVLink_local_position_ned_message(boot_ms, *numbers),
        mavlink.MAVLink_local_position_ned_message(number * 100, number * 0.1, 0, -1, 1, 0, 0),
        mavlink.MAVLink_attitude_message(boot_ms, *numbers),
        mavlink.MAVLink_global_position_int_message(boot_ms, *whole, 1, 1, 1, 0),
        mavlink.MAVLink_extended_sys_state_message(0, chance.choice((0, 1, 2, 255))),
        mavlink.MAVLink_sys_status_message(0, 0, 0, 0, 65535, -1, chance.choice((-1, 127, -128)), 0, 0, 0, 0, 0, 0),
    ))  # fmt: skip


def test_a_clock_that_leaps_costs_no_memory() -> None:
    """A hundred thousand messages, each ten seconds of the vehicle's clock after the last: no square of their number."""
    numbers = np.arange(100_000, dtype=np.int64)
    table = np.empty(len(numbers), dtype=[("time_us", "<i8"), ("time_boot_ms", "<u4")])
    table["time_us"], table["time_boot_ms"] = EPOCH_US + numbers * 10_000_000, numbers * 10_000
    found = vehicle_time.vehicle_time([table], EPOCH_US)
    assert found is not None
    assert found.drift.tolist() == [0.0]

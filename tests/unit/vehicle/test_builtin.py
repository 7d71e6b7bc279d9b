"""The built-in vehicle on a clock: ticks, telemetry, truth, state, link loss."""

from __future__ import annotations

from collections.abc import Coroutine
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common as mav

from asflown.clock.virtual import VIRTUAL_EPOCH_US, VirtualClock
from asflown.errors import VehicleProblem
from asflown.record.truth import TRUTH_COLUMNS
from asflown.scenario.model import Conditions, Fault, Identity, Start, VehicleFile
from asflown.vehicle.builtin import BuiltIn, return_height_m

PALM = VehicleFile(name="palm80", kind="built-in", airframe="palm80")


class Bench:
    """A vehicle on a virtual clock, and everything it sends with the time it came."""

    def __init__(self, file: VehicleFile = PALM, conditions: Conditions | None = None) -> None:
        self.clock = VirtualClock()
        self.vehicle = BuiltIn(self.clock, file, Start(), conditions or Conditions(), seed=1)
        self.heard: list[tuple[int, bytes]] = []
        self.vehicle.endpoint.on_frame = lambda frame: self.heard.append((self.clock.now_us(), frame))
        self.vehicle.endpoint.open()

    def run(self, main: Coroutine[Any, Any, None]) -> None:
        """Runs a coroutine on the clock."""
        self.clock.run(main)

    async def fly(self, until_us: int) -> None:
        """Powers up and lets time pass."""
        self.vehicle.start()
        await self.clock.sleep_until(until_us)

    def truth(self) -> np.ndarray[Any, np.dtype[np.float64]]:
        """The truth rows so far."""
        return np.frombuffer(self.vehicle.drain_truth()).reshape(-1, len(TRUTH_COLUMNS))


def test_it_ticks_every_ten_milliseconds_from_power_up_on() -> None:
    """A hundred rows of truth a second, stamped with flight time, whenever it was powered up."""
    bench = Bench()

    async def late() -> None:
        await bench.clock.sleep_until(123_457)
        await bench.fly(until_us=1_123_457 + 1)

    bench.run(late())
    times = bench.truth()[:, 0]
    assert len(times) == 100
    assert times == pytest.approx(0.123457 + 0.01 * np.arange(1, 101))


def test_its_own_clock_begins_at_power_up_and_knows_the_date() -> None:
    """SYSTEM_TIME: milliseconds since power-up, and the clock's epoch plus flight time."""
    bench = Bench()

    async def late() -> None:
        await bench.clock.sleep_until(5_000_000)
        await bench.fly(until_us=8_000_000)

    bench.run(late())
    decoder = mav.MAVLink(None)
    stamps = [
        (arrived_us, decoder.decode(bytearray(frame)))
        for arrived_us, frame in bench.heard
        if frame[7:10] == b"\x02\x00\x00"
    ]
    assert [(m.time_boot_ms, m.time_unix_usec - VIRTUAL_EPOCH_US) for _, m in stamps] == [
        ((arrived_us - 5_000_000) // 1000, arrived_us) for arrived_us, _ in stamps
    ]


def test_truth_and_state_are_drained_once() -> None:
    """What was taken does not come again; four plant steps for each tick."""
    bench = Bench()
    bench.run(bench.fly(until_us=1_000_001))
    state = bench.vehicle.drain_state()
    assert len(bench.truth()) == 100
    assert len(state) % (8 * 400) == 0
    assert state
    assert bench.vehicle.drain_truth() == bench.vehicle.drain_state() == b""


def test_after_stop_nothing_happens_any_more() -> None:
    """Neither ticks nor frames; stopping twice is harmless."""
    bench = Bench()

    async def stop_early() -> None:
        await bench.fly(until_us=500_001)
        bench.vehicle.stop()
        bench.vehicle.stop()
        await bench.clock.sleep_until(1_000_000)

    bench.run(stop_early())
    assert len(bench.truth()) == 50
    assert max(arrived_us for arrived_us, _ in bench.heard) <= 500_001


@pytest.mark.parametrize(
    ("for_s", "silent_until_us"), [(0.5, 1_500_000), (None, 3_000_000)], ids=["for a while", "for good"]
)
def test_a_lost_link_drops_frames_both_ways(for_s: float | None, silent_until_us: int) -> None:
    """From 1 s on; the craft itself flies on."""
    fault = Fault(at_s=1.0, inject="link-loss", for_s=for_s)
    bench = Bench(conditions=Conditions(faults=(fault,)))

    async def command_in_the_gap() -> None:
        await bench.fly(until_us=1_200_000)
        bench.vehicle.endpoint.send(mav.MAVLink_timesync_message(0, 1).pack(mav.MAVLink(None, 255, 190)))
        await bench.clock.sleep_until(3_000_000)

    bench.run(command_in_the_gap())
    arrivals = [arrived_us for arrived_us, _ in bench.heard]
    assert not [arrived_us for arrived_us in arrivals if 1_000_000 <= arrived_us < silent_until_us]
    assert (max(arrivals) > silent_until_us) is (for_s is not None)
    assert b"\x6f\x00\x00" not in [frame[7:10] for _, frame in bench.heard]
    assert bench.vehicle.endpoint.counters()["frames_dropped"] == 1
    assert len(bench.truth()) == pytest.approx(300, abs=1)


def test_the_record_says_what_was_flown() -> None:
    """Airframe, release, hash of the parameters, and the identity as given."""
    file = PALM.model_copy(update={"identity": Identity(autopilot=118, modes={"land": (9, 2)})})
    bench = Bench(file)
    bench.run(bench.fly(until_us=0))
    record = bench.vehicle.record()
    assert (record.name, record.kind, record.airframe, record.release) == (
        "palm80",
        "built-in",
        "palm80",
        "r1",
    )
    assert record.identity == {"autopilot": 118, "modes": {"land": [9, 2]}}
    assert record.parameters_sha256 is not None
    assert len(record.parameters_sha256) == 64


def refused(file: VehicleFile) -> str:
    """What is said when a vehicle cannot be had."""
    clock = VirtualClock()

    async def attempt() -> str:
        with pytest.raises(VehicleProblem) as caught:
            BuiltIn(clock, file, Start(), Conditions(), 1)
        return str(caught.value)

    return clock.run(attempt())


def test_without_an_airframe_there_is_no_vehicle() -> None:
    """The message says what to add."""
    file = VehicleFile(name="nameless", kind="built-in")
    assert refused(file) == "vehicle nameless: no airframe. Add `airframe: palm80` to its file"


def test_an_unknown_release_is_a_problem_of_the_vehicle() -> None:
    """Not a fault of asflown."""
    file = PALM.model_copy(update={"release": "r99"})
    assert "r99" in refused(file)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 25_000), st.integers(0, 4)), max_size=60))
def test_work_done_ahead_makes_no_difference(moments: list[tuple[int, int]]) -> None:
    """However much is computed ahead, and when: equal frames at equal times, equal truth and state."""
    assert _visited(moments) == _visited([(pause_us, 0) for pause_us, _ in moments])


def _visited(moments: list[tuple[int, int]]) -> tuple[object, ...]:
    """What a vehicle gives that hears a command now and then; at each moment so many pieces of work are done ahead."""
    bench = Bench()
    pieces: list[bytes] = []

    async def visit() -> None:
        bench.vehicle.start()
        for number, (pause_us, ahead) in enumerate(moments):
            now_us = bench.clock.now_us()
            for _ in range(ahead):
                bench.vehicle.work_ahead(now_us + pause_us)
            await bench.clock.sleep_until(now_us + pause_us)
            pieces.append(bench.vehicle.drain_state() + bench.vehicle.drain_truth())
            bench.vehicle.endpoint.send(_asking_for_a_rate(1_000 * number))

    bench.run(visit())
    return bench.heard, pieces


def _asking_for_a_rate(interval_us: int) -> bytes:
    """SET_MESSAGE_INTERVAL of ATTITUDE, which is acknowledged and changes what follows."""
    command = mav.MAVLink_command_long_message(
        1, 1, mav.MAV_CMD_SET_MESSAGE_INTERVAL, 0, mav.MAVLINK_MSG_ID_ATTITUDE, interval_us, 0, 0, 0, 0, 0
    )
    return bytes(command.pack(mav.MAVLink(None, 245, 190)))


def test_the_return_height_is_what_the_vehicle_starts_with(tmp_path: Path) -> None:
    """A file of parameters comes before the airframe's own default, so that the guard counts on the right one."""
    assert return_height_m(PALM) == 4.0
    given = tmp_path / "high.csv"
    given.write_text("name,value\nreturn.height,12.5\n")
    higher = PALM.model_copy(update={"parameters": PALM.parameters.model_copy(update={"start": str(given)})})
    assert return_height_m(higher) == 12.5

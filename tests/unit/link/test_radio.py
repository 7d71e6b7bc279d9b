"""The emulated radio, on a clock moved by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.link.air import Air
from asflown.link.profile import LaneProfile, LossProfile, RadioProfile
from asflown.link.radio import Radio
from tests.unit.link.frames import unknown
from tests.unit.link.hand_clock import HandClock

FRAME = unknown(bytes(87) + b"\x01")
"""100 bytes."""


def radio_of(
    clock: HandClock, *, up: LaneProfile | None = None, down: LaneProfile | None = None, seed: int = 1
) -> Radio:
    """A radio with generators of its own."""
    profile = RadioProfile(name="test", up=up or LaneProfile(), down=down or LaneProfile())
    return Radio(profile, clock, up=np.random.default_rng(seed), down=np.random.default_rng(seed + 1))


def noting(clock: HandClock, radio: Radio) -> list[tuple[int, str, bytes]]:
    """A log of (flight time, direction, frame) of what comes out."""
    log: list[tuple[int, str, bytes]] = []
    radio.up.deliver = lambda frame: log.append((clock.now_us(), "up", frame))
    radio.down.deliver = lambda frame: log.append((clock.now_us(), "down", frame))
    return log


def test_an_ideal_radio_hands_frames_on_within_the_call(clock: HandClock) -> None:
    """No timer, no delay, no loss."""
    radio = radio_of(clock)
    log = noting(clock, radio)
    radio.up.send(FRAME)
    radio.down.send(FRAME)
    assert log == [(0, "up", FRAME), (0, "down", FRAME)]
    assert clock.waiting() == 0


def test_frames_take_their_time_and_wait_for_each_other(clock: HandClock) -> None:
    """100 bytes and 25 of overhead at 1000 bytes/s take 125 ms each, and 40 ms more to arrive."""
    radio = radio_of(clock, up=LaneProfile(rate_bytes_per_s=1000, overhead_bytes=25, latency_s=0.04))
    log = noting(clock, radio)
    for _ in range(3):
        radio.up.send(FRAME)
    clock.move_to(1_000_000)
    radio.up.send(FRAME)
    clock.move_to(2_000_000)
    assert [at for at, _, _ in log] == [165_000, 290_000, 415_000, 1_165_000]


def test_each_direction_has_a_lane_of_its_own(clock: HandClock) -> None:
    """What goes up does not delay what comes down."""
    slow = LaneProfile(rate_bytes_per_s=1000)
    radio = radio_of(clock, up=slow, down=slow)
    log = noting(clock, radio)
    radio.up.send(FRAME)
    radio.down.send(FRAME)
    clock.move_to(1_000_000)
    assert log == [(100_000, "up", FRAME), (100_000, "down", FRAME)]


def test_a_full_buffer_drops_the_newest(clock: HandClock) -> None:
    """With room for 250 bytes two frames of 100 are taken on; half a frame later there is room for one more."""
    radio = radio_of(clock, up=LaneProfile(rate_bytes_per_s=1000, buffer_bytes=250))
    log = noting(clock, radio)
    for number in range(4):
        radio.up.send(bytes([number]) * 100)
    clock.move_to(50_000)
    radio.up.send(b"\x09" * 100)
    clock.move_to(1_000_000)
    assert [frame[0] for _, _, frame in log] == [0, 1, 9]
    assert radio.up.counters() == {
        "frames_taken": 5,
        "frames_delivered": 3,
        "frames_lost": 0,
        "frames_damaged": 0,
        "frames_overflowed": 2,
        "frames_under_way": 0,
    }


def test_jitter_stays_within_its_bounds_and_keeps_the_order(clock: HandClock) -> None:
    """Latency 20 ms, jitter 30 ms: arrivals 20 to 50 ms after sending, in the order of sending."""
    radio = radio_of(clock, up=LaneProfile(latency_s=0.02, jitter_s=0.03))
    log = noting(clock, radio)
    for number in range(500):
        clock.move_to(number * 100_000)
        radio.up.send(bytes([number % 256]))
    clock.move_to(100_000_000)
    delays = [at - number * 100_000 for number, (at, _, _) in enumerate(log)]
    assert 20_000 <= min(delays) < 21_000
    assert 49_000 < max(delays) <= 50_000


@given(st.lists(st.integers(0, 30_000), min_size=1, max_size=60), st.integers(0, 5))
def test_frames_come_out_in_order_whatever_the_jitter(pauses_us: list[int], seed: int) -> None:
    """A frame never overtakes another, and every one is accounted for."""
    clock = HandClock()
    lossy = LaneProfile(
        rate_bytes_per_s=9_000, jitter_s=0.2, buffer_bytes=900, loss=LossProfile(good_to_bad=0.2)
    )
    radio = radio_of(clock, up=lossy, seed=seed)
    log = noting(clock, radio)
    for number, pause_us in enumerate(pauses_us):
        clock.move_to(clock.now_us() + pause_us)
        radio.up.send(bytes([number]) * 100)
    half_way = radio.up.counters()
    clock.move_to(100_000_000)
    assert [frame[0] for _, _, frame in log] == sorted(frame[0] for _, _, frame in log)
    for counted in (half_way, radio.up.counters()):
        assert counted["frames_taken"] == sum(counted.values()) - counted["frames_taken"] == len(pauses_us)
    assert radio.up.counters()["frames_under_way"] == 0
    clock.close()


def test_equal_seeds_give_equal_flights_and_the_lanes_do_not_disturb_each_other() -> None:
    """The down log of a seed is the same, whatever goes up; another seed gives another."""
    lossy = LaneProfile(rate_bytes_per_s=20_000, jitter_s=0.01, loss=LossProfile(good_to_bad=0.3))

    def down_log(seed: int, frames_up: int) -> list[tuple[int, str, bytes]]:
        clock = HandClock()
        radio = radio_of(clock, up=lossy, down=lossy, seed=seed)
        log = noting(clock, radio)
        for number in range(200):
            for _ in range(frames_up):
                radio.up.send(FRAME)
            radio.down.send(FRAME)
            clock.move_to(number * 10_000)
        clock.close()
        return [entry for entry in log if entry[1] == "down"]

    assert down_log(1, 0) == down_log(1, 3) != down_log(2, 0)


def test_nothing_gets_through_a_shadow(clock: HandClock) -> None:
    """What leaves from its beginning up to its end is lost, both ways, on an ideal radio too."""
    radio = radio_of(clock)
    log = noting(clock, radio)
    radio.shadow(1_000_000, 2_000_000)
    radio.shadow(5_000_000)
    for at_us in (0, 999_999, 1_000_000, 1_999_999, 2_000_000, 5_000_000, 900_000_000):
        clock.move_to(at_us)
        radio.down.send(FRAME)
        radio.up.send(FRAME)
    assert [at for at, _, _ in log] == [0, 0, 999_999, 999_999, 2_000_000, 2_000_000]
    assert radio.counters()["up.frames_lost"] == radio.counters()["down.frames_lost"] == 4


def test_nothing_arrives_after_closing(clock: HandClock) -> None:
    """What was on its way is not delivered."""
    radio = radio_of(clock, down=LaneProfile(latency_s=0.1))
    log = noting(clock, radio)
    radio.down.send(FRAME)
    radio.close()
    clock.move_to(1_000_000)
    assert log == []


@given(
    st.lists(st.tuples(st.integers(0, 2_000_000), st.integers(1, 300)), max_size=40),
    st.integers(10, 100_000),
    st.integers(0, 2_000),
)
def test_the_air_is_exact_in_the_long_run(steps: list[tuple[int, int]], rate: int, burst: int) -> None:
    """Frames leave in order, never before they came; while it is busy not a microsecond is lost or won."""
    air = Air(rate, burst)
    now_us = last_us = 0
    for pause_us, size in steps:
        now_us += pause_us
        before = air.waiting_bytes(now_us)
        left_us = air.leaves_us(now_us, size)
        assert left_us == max(now_us, last_us, left_us)
        assert left_us == air.free_us(now_us)
        assert air.waiting_bytes(now_us) <= before + size
        assert air.waiting_bytes(left_us) == 0
        last_us = left_us


@pytest.mark.parametrize("burst", [0, 700])
def test_a_busy_lane_carries_exactly_its_rate(burst: int) -> None:
    """Ten thousand frames of 37 bytes at 5,760 bytes/s, offered at once."""
    air = Air(5_760, burst)
    for _ in range(9_999):
        air.leaves_us(0, 37)
    assert air.leaves_us(0, 37) == -(-(370_000 - burst) * 1_000_000 // 5_760)

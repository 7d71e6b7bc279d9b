"""What a radio promises about the time before which nothing comes out at the vehicle."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from asflown.link.profile import HalfDuplexProfile, LaneProfile, RadioProfile, StatusProfile
from asflown.link.radio import Radio
from tests.unit.link.frames import unknown
from tests.unit.link.hand_clock import HandClock

LANES = st.builds(
    LaneProfile,
    rate_bytes_per_s=st.sampled_from([None, 900, 5760]),
    latency_s=st.sampled_from([0.0, 0.001, 0.02, 0.3]),
    jitter_s=st.sampled_from([0.0, 0.02]),
    buffer_bytes=st.sampled_from([None, 300]),
)
PROFILES = st.builds(
    RadioProfile,
    name=st.just("test"),
    up=LANES,
    down=LANES,
    half_duplex=st.sampled_from([None, HalfDuplexProfile(turn_around_s=0.002, window_s=0.02)]),
    status=st.sampled_from([None, StatusProfile(every_s=0.05)]),
)
STEPS = st.lists(st.tuples(st.sampled_from("ud."), st.integers(0, 30_000)), max_size=40)


@given(PROFILES, STEPS)
def test_nothing_comes_out_before_the_promised_time(
    profile: RadioProfile, steps: list[tuple[str, int]]
) -> None:
    """However frames are sent each way, each arrives no earlier than every promise made before allows."""
    clock, promised_us = HandClock(), 0
    radio = Radio(profile, clock, up=np.random.default_rng(1), down=np.random.default_rng(2))

    def arrive(_frame: bytes) -> None:
        assert clock.now_us() >= promised_us

    radio.deliver(up=arrive, down=lambda _frame: None)
    for what, pause_us in steps:
        promised_us = max(promised_us, radio.quiet_up_until_us())
        if what == "u":
            radio.up.send(unknown(b"\x01" * 20))
        elif what == "d":
            radio.take_down(unknown(b"\x02" * 20))
        clock.move_to(clock.now_us() + pause_us)
    radio.close()
    clock.close()


def test_the_promise_reaches_as_far_as_the_way_is_long(clock: HandClock) -> None:
    """20 ms of latency with nothing under way; then up to what arrives first, or to the radio's own report."""
    profile = RadioProfile(
        name="test", up=LaneProfile(latency_s=0.02), down=LaneProfile(), status=StatusProfile(every_s=0.05)
    )
    radio = Radio(profile, clock, up=np.random.default_rng(1), down=np.random.default_rng(2))
    assert radio.quiet_up_until_us() == 20_000
    radio.up.send(unknown(b"\x01"))
    clock.move_to(15_000)
    assert radio.quiet_up_until_us() == 20_000
    clock.move_to(20_000)
    radio.take_down(unknown(b"\x02"))
    clock.move_to(60_000)
    assert radio.quiet_up_until_us() == 70_000


def test_a_radio_without_delay_promises_nothing(clock: HandClock) -> None:
    """What is said now may arrive now."""
    radio = Radio(
        RadioProfile(name="test", up=LaneProfile(), down=LaneProfile()),
        clock,
        up=np.random.default_rng(1),
        down=np.random.default_rng(2),
    )
    clock.move_to(7)
    assert radio.quiet_up_until_us() == 7

"""Bits that flip on the air, and what comes of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.link import wire
from asflown.link.bit_errors import BitErrors, received
from asflown.link.profile import LaneProfile, RadioProfile
from asflown.link.radio import Radio
from tests.unit.link.frames import Sender, unknown
from tests.unit.link.hand_clock import HandClock

FRAME = Sender().attitude(7)


@given(st.sets(st.integers(0, len(FRAME) * 8 - 1), min_size=1, max_size=3))
def test_up_to_three_flipped_bits_are_always_found(places: set[int]) -> None:
    """A 16-bit cyclic checksum finds every error of three bits in a frame this short.

    Unless the bits make it a message that nobody knows: then there is nothing to check it by.
    """
    got = received(FRAME, 0, sorted(places))
    assert not [frame for frame in got if wire.is_known(frame)]


def test_a_bit_of_the_radio_s_own_framing_spoils_the_frame() -> None:
    """Of 6 bytes of overhead, the 48th bit is the last."""
    assert received(FRAME, 6, [47]) == []


def test_nobody_can_check_a_message_that_nobody_knows() -> None:
    """It is handed on damaged; a receiver has no better way."""
    frame = unknown(bytes(range(1, 30)))
    (got,) = received(frame, 0, [8 * 20])
    assert len(got) == len(frame)
    assert got != frame


def test_as_many_bits_flip_as_asked_for() -> None:
    """One in a hundred of a million, within four standard deviations, and evenly over the frame."""
    errors = BitErrors(0.01, np.random.default_rng(5))
    places = [place for _ in range(1_000) for place in errors.flipped(1_000)]
    assert len(places) == pytest.approx(10_000, abs=4 * (1_000_000 * 0.01 * 0.99) ** 0.5)
    assert np.mean(places) == pytest.approx(499.5, abs=4 * 288.7 / len(places) ** 0.5)


def test_no_errors_draw_no_numbers() -> None:
    """So that a profile without them flies as before."""
    generator = np.random.default_rng(5)
    assert BitErrors(0.0, generator).flipped(10_000) == []
    assert generator.random() == np.random.default_rng(5).random()


@pytest.mark.slow
def test_a_lane_counts_what_was_damaged(clock: HandClock) -> None:
    """1e-3 a bit: a frame of 28 bytes and 8 of overhead survives with probability 0.999^288 = 0.750."""
    profile = RadioProfile(name="noisy", both=LaneProfile(bit_errors=0.001, overhead_bytes=8))
    radio = Radio(profile, clock, up=np.random.default_rng(1), down=np.random.default_rng(2))
    got: list[bytes] = []
    radio.deliver(up=got.append, down=got.append)
    sender = Sender()
    frames = [sender.attitude(n + 2**24) for n in range(4_000)]
    assert {len(frame) for frame in frames} == {28}
    for frame in frames:
        radio.down.send(frame)
    clock.move_to(1_000_000)
    counted = radio.down.counters()
    share = 0.999 ** (8 * (len(frames[0]) + 8))
    whole = len(set(got) & set(frames))
    assert whole == pytest.approx(4_000 * share, abs=4 * (4_000 * share * (1 - share)) ** 0.5)
    assert counted["frames_delivered"] == len(got)
    assert counted["frames_delivered"] + counted["frames_damaged"] == 4_000
    assert not [frame for frame in set(got) - set(frames) if wire.is_known(frame)]

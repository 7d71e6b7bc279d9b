"""TIMESYNC and sequence numbers as the MAVLink developer guide has them, asked of our survey and our hub."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common

from asflown.link import wire
from asflown.link.sequences import SequenceWatch
from asflown.link.survey.delays import delays_of
from asflown.link.survey.ears import Answer, Ears, Heard
from asflown.link.survey.sequence import gaps_before
from asflown.link.survey.voice import Voice
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.test_hub import NotingEndpoint


def test_round_trip_and_offset() -> None:
    """OC-MAV-21: sent 1000, remote 5050, received 1080: round trip 80, offset remote - local 4010 (midpoint rule)."""
    # The same exchange three times over, in microseconds, since fewer than three tell nothing.
    asked = [1_000_000 + n * 1_000_000_000 for n in range(3)]
    answers = {
        sent: Answer(time_us=sent // 1_000 + 80, vehicle_ns=(sent // 1_000 + 4_050) * 1_000, place=n)
        for n, sent in enumerate(asked)
    }
    found = delays_of(asked, answers, epoch_us=0)
    assert found is not None
    assert found.round_trip_least_ms == pytest.approx(0.080)
    assert found.offset_s == pytest.approx(4_010e-6)
    assert found.drift_ppm.value == pytest.approx(0, abs=1e-6)


def test_a_request_carries_tc1_zero_and_our_time(clock: HandClock) -> None:
    """Guide, Time Synchronization Protocol v2: tc1 = 0 asks; ts1 is the asker's time in nanoseconds."""
    endpoint = NotingEndpoint("vehicle")
    clock.move_to(2_500_000)
    asked_ns = Voice(clock, endpoint, Ears(clock)).probe()
    message = common.MAVLink(None).decode(bytearray(endpoint.given[0]))
    assert (message.tc1, message.ts1) == (0, asked_ns)
    assert asked_ns // 1_000_000 == 2_500


def test_an_answer_mirrors_ts1_and_is_told_by_tc1(clock: HandClock) -> None:
    """Guide, as above: tc1 of an answer is the vehicle's time and not 0; a request of somebody else's is no answer."""
    ears = Ears(clock)
    ears.take(Sender().pack(common.MAVLink_timesync_message(0, 77)))
    ears.take(Sender().pack(common.MAVLink_timesync_message(5_050, 1_000)))
    assert list(ears.answers) == [1_000]
    assert ears.answers[1_000].vehicle_ns == 5_050


def test_a_longer_timesync_of_the_current_definitions_is_understood(clock: HandClock) -> None:
    """OC-MAV-10: 18 bytes with target fields, of which pymavlink's 16 know nothing; the checksum byte is the same."""
    frame = Sender().pack(common.MAVLink_timesync_message(5_050, 1_000))
    padded = frame[10:-2].ljust(16, b"\0") + b"\xff\xbe"
    body = bytes([18]) + frame[2:10] + padded
    longer = b"\xfd" + body + wire.checksum(body + bytes([34])).to_bytes(2, "little")
    assert wire.FrameReader().feed(longer) == [longer]
    ears = Ears(clock)
    ears.take(longer)
    assert list(ears.answers) == [1_000]


def test_sequence_gap() -> None:
    """OC-MAV-22: last 250, next 3: eight lost, (3 - 250 - 1) modulo 256; in the hub and in a survey alike."""
    sender = Sender()
    frames = {number: sender.heartbeat() for number in range(260)}
    watch = SequenceWatch()
    watch.missing(frames[250])
    assert watch.missing(frames[259]) == 8
    pair = [Heard(0, 257, 250, 0, 21), Heard(10_000, 257, 3, 0, 21)]
    assert gaps_before(pair) == [0, 8]


@pytest.fixture
def clock() -> HandClock:
    """Nothing here is watched."""
    return HandClock()

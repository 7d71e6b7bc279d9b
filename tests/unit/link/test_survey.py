"""Whole surveys in virtual time: the built-in vehicle, an emulated radio, and what is put back afterwards."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest
from pymavlink.dialects.v20 import common

from asflown.clock.virtual import VirtualClock
from asflown.errors import LinkProblem
from asflown.link.emulated import EmulatedEndpoint
from asflown.link.profile import LaneProfile, LossProfile, RadioProfile, StatusProfile, load_profile
from asflown.link.radio import Radio
from asflown.link.survey.findings import Findings, RadioSays
from asflown.link.survey.survey import Plan, survey
from tests.unit.link.frames import Sender
from tests.unit.link.test_hub import NotingEndpoint

DEFAULT_US = {30: 100_000, 32: 100_000, 33: 200_000, 24: 500_000, 1: 1_000_000, 242: 5_000_000}
SMALL, LARGE = 30, 242
REFUSES = 24


class Craft(NotingEndpoint):
    """A vehicle by the standard's own rules, small enough to see through: streams, intervals, TIMESYNC, acks."""

    def __init__(
        self, clock: VirtualClock, *, armed: Callable[[], bool] = lambda: False, answers_time: bool = True
    ) -> None:
        super().__init__("vehicle")
        self.clock, self.armed, self.answers_time = clock, armed, answers_time
        self.sender = Sender(1, 1)
        self.intervals = dict(DEFAULT_US)
        self.set_while_armed: list[tuple[float, int, int]] = []
        self.fastest_us = 10**9

    def start(self) -> None:
        """Streams begin."""
        self._beat()
        for message in self.intervals:
            self._stream(message)

    def _beat(self) -> None:
        flags = 128 if self.armed() else 0
        self.say(self.sender.pack(common.MAVLink_heartbeat_message(2, 0, flags, 0, 4, 3)))
        self.clock.call_at(self.clock.now_us() + 1_000_000, self._beat)

    def _stream(self, message: int) -> None:
        interval_us = self.intervals[message]
        if interval_us > 0:
            self.say(self.sender.pack(_REPORTS[message]()))
        self.clock.call_at(
            self.clock.now_us() + (interval_us if interval_us > 0 else 50_000), lambda: self._stream(message)
        )

    def send(self, frame: bytes) -> None:
        """A frame from the ground."""
        message = common.MAVLink(None).decode(bytearray(frame))
        if isinstance(message, common.MAVLink_timesync_message) and self.answers_time:
            now_ns = 1_000 * self.clock.now_us() + 7_000_000_000
            self.say(self.sender.pack(common.MAVLink_timesync_message(now_ns, message.ts1)))
        elif isinstance(message, common.MAVLink_command_long_message):
            result = self._command(message)
            self.say(self.sender.pack(common.MAVLink_command_ack_message(message.command, result)))

    def _command(self, message: Any) -> int:
        if message.command == common.MAV_CMD_GET_MESSAGE_INTERVAL:
            number = int(message.param1)
            interval = common.MAVLink_message_interval_message(number, self.intervals.get(number, 0) or -1)
            self.say(self.sender.pack(interval))
            return int(common.MAV_RESULT_ACCEPTED)
        if message.command != common.MAV_CMD_SET_MESSAGE_INTERVAL:
            return int(common.MAV_RESULT_UNSUPPORTED)
        number, interval_us = int(message.param1), int(message.param2)
        if self.armed():
            self.set_while_armed.append((self.clock.now_us() / 1e6, number, interval_us))
        if number == REFUSES:
            return int(common.MAV_RESULT_DENIED)
        self.intervals[number] = interval_us or DEFAULT_US[number]
        if interval_us > 0:
            self.fastest_us = min(self.fastest_us, interval_us)
        return int(common.MAV_RESULT_ACCEPTED)


_REPORTS: dict[int, Callable[[], common.MAVLink_message]] = {
    30: lambda: common.MAVLink_attitude_message(1, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6),
    32: lambda: common.MAVLink_local_position_ned_message(1, 1, 2, 3, 4, 5, 6),
    33: lambda: common.MAVLink_global_position_int_message(1, 2, 3, 4, 5, 6, 7, 8, 9),
    24: lambda: common.MAVLink_gps_raw_int_message(1, 2, 3, 4, 5, 6, 7, 8, 9, 10),
    1: lambda: common.MAVLink_sys_status_message(*range(1, 14)),
    242: lambda: common.MAVLink_home_position_message(*range(1, 7), [0.1, 0.2, 0.3, 0.4], 1, 2, 3),
}


def surveyed(
    profile: RadioProfile,
    plan: Plan,
    make: Callable[[VirtualClock], Craft] = Craft,
) -> tuple[Findings, Craft]:
    """A survey in virtual time, and the vehicle it was of."""
    clock = VirtualClock()
    craft = make(clock)
    radio = Radio(profile, clock, up=Random("up 3"), down=Random("down 3"))

    async def run() -> Findings:
        clock.call_at(0, craft.start)
        return await survey(clock, EmulatedEndpoint(craft, radio), plan, lambda words: None)

    return clock.run(run()), craft


LANE = LaneProfile(
    rate_bytes_per_s=3_000,
    overhead_bytes=10,
    buffer_bytes=1_500,
    latency_s=0.03,
    jitter_s=0.01,
    loss=LossProfile(good_to_bad=0.01, bad_to_good=0.4),
)


@pytest.mark.slow
def test_a_survey_finds_what_was_set_and_puts_everything_back() -> None:
    """Rate within 5 %, latency within 2 ms, loss and burst within their intervals, streams as before."""
    profile = RadioProfile(name="known", both=LANE, status=StatusProfile(every_s=2.0, rssi=180, noise=35))
    found, craft = surveyed(profile, Plan("x", 120.0))
    for rate in (found.rate_up, found.rate_down):
        assert rate is not None
        assert rate.bytes_per_s == pytest.approx(3_000, rel=0.05)
        assert rate.overhead_bytes == pytest.approx(10, abs=2)
    assert found.latency_ms == pytest.approx(30, abs=2)
    for loss in (found.loss_up, found.loss_down):
        assert loss is not None
        assert loss.mean_burst is not None
        assert loss.loss.low <= 0.02439 <= loss.loss.high
        assert loss.mean_burst.low <= 2.5 <= loss.mean_burst.high
    assert not found.half_duplex
    assert found.radio == RadioSays(2.0, 180, 35)
    assert craft.intervals == DEFAULT_US
    assert found.notes == ()


def test_an_armed_vehicle_is_left_alone() -> None:
    """No interval is set, whatever else is found; and the findings say why there are no rates."""
    found, craft = surveyed(
        RadioProfile(name="known", both=LANE), Plan("x", 20.0), lambda clock: Craft(clock, armed=lambda: True)
    )
    assert craft.intervals == DEFAULT_US
    assert craft.set_while_armed == []
    assert (found.armed, found.rate_up, found.rate_down) == (True, None, None)
    assert "the vehicle is armed: the link was not filled" in found.notes
    assert found.latency_ms is not None


def test_one_that_arms_meanwhile_gets_its_streams_back_at_once() -> None:
    """Armed after fifteen seconds, in the middle of filling: from then on intervals are only put back."""

    def make(clock: VirtualClock) -> Craft:
        return Craft(clock, armed=lambda: clock.now_us() > 15_000_000)

    found, craft = surveyed(RadioProfile(name="known", both=LANE), Plan("x", 20.0), make)
    assert craft.intervals == DEFAULT_US
    assert found.armed
    later = [(number, interval_us) for at_s, number, interval_us in craft.set_while_armed if at_s > 17]
    assert later
    assert all(interval_us == DEFAULT_US[number] for number, interval_us in later)


def test_a_gentle_survey_changes_nothing() -> None:
    """No rates, and not one interval is touched."""
    found, craft = surveyed(RadioProfile(name="known", both=LANE), Plan("x", 20.0, fill=False))
    assert craft.fastest_us == 10**9
    assert (found.rate_up, found.rate_down) == (None, None)
    assert found.loss_up is not None


def test_a_vehicle_without_timesync_still_tells_its_loss_down() -> None:
    """No delays, no loss up; the findings say so."""
    found, _ = surveyed(
        RadioProfile(name="known", both=LANE),
        Plan("x", 20.0, fill=False),
        lambda clock: Craft(clock, answers_time=False),
    )
    assert (found.delays, found.loss_up, found.latency_ms) == (None, None, None)
    assert found.loss_down is not None
    assert any("TIMESYNC" in note for note in found.notes)


def test_nobody_there_is_a_link_problem() -> None:
    """After fifteen seconds of flight time."""
    clock = VirtualClock()

    async def run() -> Findings:
        return await survey(
            clock, NotingEndpoint("vehicle"), Plan("udp://somewhere:1", 5.0), lambda words: None
        )

    with pytest.raises(LinkProblem, match="no heartbeat of an autopilot on udp://somewhere:1 within 15 s"):
        clock.run(run())


def test_an_ideal_link_has_no_rate_to_be_found() -> None:
    """The vehicle cannot fill it, and the findings say how much it carried at least."""
    found, craft = surveyed(load_profile("ideal"), Plan("x", 10.0))
    assert (found.rate_up, found.rate_down) == (None, None)
    assert found.loss_up is not None
    assert found.loss_up.loss.value == 0
    assert any("carries at least" in note for note in found.notes)
    assert craft.intervals == DEFAULT_US


@pytest.mark.slow
def test_the_document_is_plain_data() -> None:
    """It goes into JSON as it is."""
    import json

    found, _ = surveyed(RadioProfile(name="known", both=LANE), Plan("x", 10.0, fill=False))
    read = json.loads(json.dumps(found.document()))
    assert (read["schema_version"], read["system"], read["half_duplex"]) == (1, 1, False)
    assert read["messages"][0]["name"] == "ATTITUDE"

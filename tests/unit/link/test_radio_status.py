"""RADIO_STATUS as an emulated radio says it, to either side."""

from __future__ import annotations

from typing import Any

from pymavlink.dialects.v20 import common

from asflown.link.hub import Hub
from asflown.link.profile import LaneProfile, LossProfile, RadioProfile, StatusProfile
from asflown.link.radio import Radio
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.test_hub import NotingEndpoint, NotingRecorder


class Always:
    """A generator that always draws the same."""

    def __init__(self, value: float) -> None:
        self.value = value

    def random(self) -> float:
        """The value."""
        return self.value


class Reported:
    """A vehicle of system 7 behind a radio that reports each second; what either side is told."""

    def __init__(self, clock: HandClock, lane: LaneProfile, draws: float = 0.5) -> None:
        self.clock = clock
        profile = RadioProfile(name="talks", both=lane, status=StatusProfile(rssi=190, noise=40, fade=60))
        self.radio = Radio(profile, clock, up=Always(draws), down=Always(draws))
        self.vehicle, self.station = NotingEndpoint("vehicle"), NotingEndpoint("map")
        self.hub = Hub(clock, NotingRecorder(), self.vehicle, self.radio)
        self.hub.attach(self.station, "station")
        self.hub.start()

    def to(self, endpoint: NotingEndpoint) -> list[Any]:
        """The reports that an endpoint was given, decoded."""
        found = [common.MAVLink(None).decode(bytearray(frame)) for frame in endpoint.given]
        return [message for message in found if message.get_type() == "RADIO_STATUS"]


def test_both_sides_are_told_once_a_second_from_the_vehicle_s_first_frame_on(clock: HandClock) -> None:
    """As component 68 of the vehicle's system, with a running number of its own."""
    reported = Reported(clock, LaneProfile())
    clock.move_to(5_000_000)
    assert reported.to(reported.station) == []
    reported.vehicle.say(Sender(7, 1).heartbeat())
    clock.move_to(8_500_000)
    ground, air = reported.to(reported.station), reported.to(reported.vehicle)
    assert (len(ground), len(air)) == (3, 3)
    assert [(m.get_srcSystem(), m.get_srcComponent(), m.get_seq()) for m in ground] == [
        (7, 68, 0),
        (7, 68, 2),
        (7, 68, 4),
    ]
    assert (ground[0].rssi, ground[0].remrssi, ground[0].noise, ground[0].txbuf) == (190, 190, 40, 100)
    assert reported.hub.counters()["radio.status_frames"] == 6


def test_the_buffer_s_free_room_is_told_to_the_side_that_fills_it(clock: HandClock) -> None:
    """A script that floods the way up: the vehicle's radio has room, the ground's has none."""
    reported = Reported(clock, LaneProfile(rate_bytes_per_s=100, buffer_bytes=1_000))
    sender = Sender(7, 1)
    reported.vehicle.say(sender.heartbeat())
    clock.move_to(900_000)
    for n in range(40):
        reported.radio.up.send(Sender().attitude(n))
    clock.move_to(1_100_000)
    assert reported.to(reported.station)[0].txbuf < 20
    assert reported.to(reported.vehicle)[0].txbuf == 100


def test_in_a_shadow_a_radio_hears_its_noise_alone(clock: HandClock) -> None:
    """And reports it to its own side, which is not in the shadow."""
    reported = Reported(clock, LaneProfile())
    reported.vehicle.say(Sender(7, 1).heartbeat())
    reported.radio.shadow(500_000, 1_500_000)
    clock.move_to(2_500_000)
    assert [message.rssi for message in reported.to(reported.station)] == [40, 190]


def test_a_bad_channel_is_weaker(clock: HandClock) -> None:
    """By `fade`, as long as it is bad."""
    loss = LossProfile(good_to_bad=1.0, bad_to_good=0.1)
    reported = Reported(clock, LaneProfile(loss=loss))
    reported.vehicle.say(Sender(7, 1).heartbeat())
    clock.move_to(1_500_000)
    assert [message.rssi for message in reported.to(reported.station)] == [130]


def test_damaged_frames_are_told_as_receive_errors(clock: HandClock) -> None:
    """On the side that heard them."""
    reported = Reported(clock, LaneProfile(bit_errors=0.01), draws=0.01)
    for _ in range(5):
        reported.vehicle.say(Sender(7, 1).heartbeat())
    clock.move_to(1_500_000)
    assert reported.to(reported.station)[0].rxerrors == 5
    assert reported.to(reported.vehicle)[0].rxerrors == 0

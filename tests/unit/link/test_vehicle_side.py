"""What the hub learns of the vehicle's side: restarts, gaps, the radio's state."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common

from asflown.link.budget import HOLD_US, Budget, budget_for
from asflown.link.hub import Hub
from asflown.link.profile import LaneProfile
from asflown.link.sequences import SequenceWatch
from asflown.url import parse
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.test_hub import Field, NotingEndpoint, NotingRecorder


def system_time(sender: Sender, boot_ms: int) -> bytes:
    """SYSTEM_TIME."""
    return sender.pack(common.MAVLink_system_time_message(0, boot_ms))


def test_a_vehicle_that_starts_anew_has_its_components_learnt_anew(field_of_two: Field) -> None:
    """A camera that was there before is not addressed any more until it is heard again."""
    field, craft = field_of_two, Sender(1, 1)
    field.vehicle.say(system_time(craft, 60_000))
    field.vehicle.say(system_time(craft, 900))
    assert field.recorder.events == [(10_000_000, "vehicle-rebooted", {"system": 1})]
    field.forget()
    to_camera, to_craft = Sender(255, 190).command((1, 100)), Sender(255, 190).command((1, 1))
    field.script.say(to_camera)
    assert field.vehicle.given == []
    field.script.say(to_craft)
    assert field.vehicle.given == [to_craft]


@pytest.mark.parametrize(("later_ms", "restarted"), [(59_500, False), (70_000, False), (58_000, True)])
def test_a_time_that_was_overtaken_is_no_restart(field_of_two: Field, later_ms: int, restarted: bool) -> None:
    """Half a second back is a frame that came late; two seconds back is a restart."""
    craft = Sender(1, 1)
    field_of_two.vehicle.say(system_time(craft, 60_000), system_time(craft, later_ms))
    assert bool(field_of_two.recorder.events) is restarted


@pytest.fixture
def field_of_two(clock: HandClock) -> Field:
    """A field whose vehicle has a second component, 100."""
    field = Field(clock)
    field.vehicle.say(Sender(1, 100).heartbeat())
    field.forget()
    return field


def test_gaps_are_counted_for_each_place(clock: HandClock) -> None:
    """Five frames of the vehicle and two of a station were lost on their way to the hub."""
    field = Field(clock)
    craft, station = Sender(1, 2), Sender(253, 191)
    for sender, endpoint, lost in ((craft, field.vehicle, 5), (station, field.map, 2)):
        endpoint.say(sender.heartbeat())
        for _ in range(lost):
            sender.heartbeat()
        endpoint.say(sender.heartbeat())
    counters = field.hub.counters()
    assert (counters["vehicle.frames_missing"], counters["map.frames_missing"]) == (5, 2)


def test_a_frame_that_was_overtaken_counts_as_none_missing() -> None:
    """1, 2, 4, 3, 5: one seemed to be missing when 4 came, and that is all."""
    sender = Sender()
    frames = [sender.heartbeat() for _ in range(6)]
    watch = SequenceWatch()
    assert [watch.missing(frames[n]) for n in (1, 2, 4, 3, 5)] == [0, 0, 1, 0, 0]


def status(free_per_cent: int) -> bytes:
    """RADIO_STATUS."""
    return Sender(1, 68).pack(common.MAVLink_radio_status_message(180, 170, free_per_cent, 40, 40, 0, 0))


class Paced:
    """A hub before a real radio of 1,000 bytes a second."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.vehicle = NotingEndpoint("vehicle")
        self.budget = Budget(clock, 1_000)
        self.hub = Hub(clock, NotingRecorder(), self.vehicle, None, budget=self.budget)
        self.script = NotingEndpoint("script")
        self.hub.attach(self.script, "script")
        self.hub.start()
        self.vehicle.say(Sender(1, 1).heartbeat())
        self.sender = Sender(255, 190)

    def offer(self, seconds: int) -> int:
        """Many frames of 40 bytes or so in each hundredth of a second; the bytes that reached the vehicle."""
        for _ in range(100 * seconds):
            for _ in range(5):
                self.script.say(self.sender.text("x" * 22))
            self.clock.move_to(self.clock.now_us() + 10_000)
        return sum(len(frame) for frame in self.vehicle.given)


def test_no_more_goes_to_a_real_radio_than_it_carries(clock: HandClock) -> None:
    """Within a frame or two, whatever is offered."""
    carried = Paced(clock).offer(10)
    assert 9_900 <= carried <= 10_100


def test_a_radio_whose_buffer_runs_full_is_given_half(clock: HandClock) -> None:
    """It reports 20 per cent free, and later 80."""
    paced = Paced(clock)
    paced.vehicle.say(status(20))
    halved = paced.offer(10)
    paced.vehicle.say(status(80))
    assert 4_900 <= halved <= 5_100
    assert 9_900 <= paced.offer(10) - halved <= 10_100
    assert paced.budget.times_low == 1


def test_a_radio_with_no_room_is_given_nothing_for_a_moment(clock: HandClock) -> None:
    """Five per cent free: all waits for a fifth of a second."""
    paced = Paced(clock)
    paced.vehicle.say(status(5))
    paced.script.say(paced.sender.text("x"))
    clock.move_to(HOLD_US - 2_000)
    assert paced.vehicle.given == []
    clock.move_to(HOLD_US + 1_000)
    assert len(paced.vehicle.given) == 1


SLOW = LaneProfile(rate_bytes_per_s=1_200, overhead_bytes=8)
BUDGETS = {
    "a serial port alone": ("serial:///dev/ttyUSB0?baud=57600", None, 5_760),
    "a slower radio behind it": ("serial:///dev/ttyUSB0?baud=57600", SLOW, 1_200),
    "a slower port before it": ("serial:///dev/ttyUSB0?baud=9600", SLOW, 960),
    "a radio over the network": ("udp://127.0.0.1:14550", SLOW, 1_200),
    "the network alone": ("udp://127.0.0.1:14550", None, None),
    "an ideal radio": ("udp://127.0.0.1:14550", LaneProfile(), None),
}


@pytest.mark.parametrize(("url", "radio", "rate"), BUDGETS.values(), ids=list(BUDGETS))
def test_the_budget_is_that_of_the_narrowest_part(
    clock: HandClock, url: str, radio: LaneProfile | None, rate: int | None
) -> None:
    """Ten bits a byte on a serial line; none where nothing limits."""
    budget = budget_for(parse(url), radio, clock)
    assert (None if budget is None else budget.rate_bytes_per_s) == rate

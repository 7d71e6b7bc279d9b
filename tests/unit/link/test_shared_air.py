"""Half-duplex: one air for both directions, and the time it takes to turn round."""

from __future__ import annotations

import itertools
from functools import partial

from hypothesis import given
from hypothesis import strategies as st

from asflown.link.hub import Hub
from asflown.link.profile import HalfDuplexProfile, LaneProfile, RadioProfile
from asflown.link.radio import Radio
from asflown.link.shared_air import SharedAir
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.test_hub import NotingEndpoint, NotingRecorder

UP, DOWN = 0, 1
TURN_US, WINDOW_US = 5_000, 50_000


class Log:
    """A shared air of 1,000 bytes a second each way, and when frames have left it: (ms, side)."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.air = SharedAir(clock, (1_000, 1_000), TURN_US, WINDOW_US)
        self.left: list[tuple[float, str]] = []

    def put(self, side: int, size_bytes: int = 20) -> None:
        """Twenty bytes take 20 ms."""
        word = "up" if side == UP else "down"
        self.air.put(side, size_bytes, lambda left_us: self.left.append((left_us / 1_000, word)))


def test_a_side_that_is_alone_has_the_air_to_itself(clock: HandClock) -> None:
    """No turn-round, frame upon frame."""
    log = Log(clock)
    for _ in range(3):
        log.put(UP)
    clock.move_to(1_000_000)
    assert log.left == [(20, "up"), (40, "up"), (60, "up")]


def test_turning_round_takes_its_time(clock: HandClock) -> None:
    """Each change of direction costs 5 ms, each frame 20."""
    log = Log(clock)
    for side in (UP, DOWN, UP):
        log.put(side)
        clock.move_to(clock.now_us() + 100_000)
    assert log.left == [(20, "up"), (125, "down"), (225, "up")]


def test_the_other_side_has_its_turn_when_the_window_is_over(clock: HandClock) -> None:
    """A frame that has begun is finished: 50 ms are over after the third."""
    log = Log(clock)
    for _ in range(5):
        log.put(UP)
    log.put(DOWN)
    clock.move_to(1_000_000)
    assert [word for _, word in log.left] == ["up"] * 3 + ["down"] + ["up"] * 2
    assert [at for at, _ in log.left] == [20, 40, 60, 85, 110, 130]


def test_two_sides_that_are_both_full_share_evenly(clock: HandClock) -> None:
    """Three frames and a turn take 65 ms: in ten seconds each side has 77 turns of three."""
    log = Log(clock)
    for _ in range(400):
        log.put(UP)
        log.put(DOWN)
    clock.move_to(10_000_000)
    assert sum(word == "up" for _, word in log.left) == 231
    assert sum(word == "down" for _, word in log.left) == 230


def note(left: list[tuple[int, int, int, int]], side: int, size: int, number: int, at_us: int) -> None:
    """Notes when a frame left."""
    left.append((at_us, side, size, number))


@given(
    st.lists(
        st.tuples(st.integers(0, 60_000), st.integers(0, 1), st.integers(1, 60)), min_size=1, max_size=60
    )
)
def test_every_frame_leaves_once_in_the_order_of_its_side_and_never_two_at_a_time(
    steps: list[tuple[int, int, int]],
) -> None:
    """Whatever is put when: nothing is lost, overtakes, or overlaps, and the air ends idle."""
    clock = HandClock()
    air = SharedAir(clock, (1_000, 2_000), TURN_US, WINDOW_US)
    left: list[tuple[int, int, int, int]] = []
    for number, (pause_us, side, size) in enumerate(steps):
        clock.move_to(clock.now_us() + pause_us)
        air.put(side, size, partial(note, left, side, size, number))
    clock.move_to(clock.now_us() + 60_000_000)
    assert sorted(number for *_, number in left) == list(range(len(steps)))
    for wanted in (UP, DOWN):
        numbers = [number for _, side, _, number in left if side == wanted]
        assert numbers == sorted(numbers)
    for (before_us, before, *_), (at_us, side, size, _) in itertools.pairwise(left):
        took_us = size * (1_000 if side == UP else 500)
        assert at_us - took_us >= before_us + (TURN_US if side != before else 0)
    assert (air.waiting_bytes(UP), air.waiting_bytes(DOWN)) == (0, 0)
    assert air.free_us(UP) == clock.now_us()
    clock.close()


@given(st.lists(st.integers(0, 1), min_size=1, max_size=30), st.integers(0, 100_000))
def test_free_is_never_later_than_a_frame_could_really_begin(sides: list[int], look_us: int) -> None:
    """If the other side asks for nothing more, the next frame begins no earlier than was said."""
    clock = HandClock()
    log = Log(clock)
    for side in sides:
        log.put(side)
    clock.move_to(look_us)
    said_us = log.air.free_us(UP)
    before = len(log.left)
    log.put(UP)
    clock.move_to(60_000_000)
    own = [at for at, word in log.left[before:] if word == "up"]
    assert round(own[-1] * 1_000) - 20_000 >= said_us
    clock.close()


def half_duplex(clock: HandClock, buffer_bytes: int | None = None) -> Radio:
    """A radio of 1,000 bytes a second that turns round in 5 ms."""

    class Never:
        def random(self) -> float:
            return 0.5

    profile = RadioProfile(
        name="half",
        both=LaneProfile(rate_bytes_per_s=1_000, buffer_bytes=buffer_bytes),
        half_duplex=HalfDuplexProfile(turn_around_s=0.005, window_s=0.05),
    )
    return Radio(profile, clock, up=Never(), down=Never())


def test_a_half_duplex_radio_counts_as_others_do(clock: HandClock) -> None:
    """Taken = delivered + overflowed + under way, both ways, and the buffer is each side's own."""
    radio = half_duplex(clock, buffer_bytes=100)
    got: list[bytes] = []
    radio.deliver(up=got.append, down=got.append)
    for _ in range(8):
        radio.up.send(bytes(20))
        radio.down.send(bytes(20))
    clock.move_to(100_000)
    counted = radio.counters()
    assert counted["up.frames_overflowed"] == counted["down.frames_overflowed"] == 3
    assert counted["up.frames_delivered"] + counted["down.frames_delivered"] == len(got) == 4
    clock.move_to(1_000_000)
    assert radio.counters()["up.frames_under_way"] == radio.counters()["down.frames_under_way"] == 0


def test_the_uplink_s_order_holds_on_a_shared_air(clock: HandClock) -> None:
    """While the other side talks, the radio holds one frame of ours, and what is urgent comes right after it."""
    radio = half_duplex(clock)
    radio.deliver(up=lambda frame: None, down=lambda frame: None)
    for _ in range(10):
        radio.down.send(bytes(20))
    now_us = clock.now_us()
    assert radio.up.free_us() == now_us
    radio.up.send(bytes(20))
    assert radio.up.free_us() == now_us + 20_000 + 5_000 + 20_000


def test_a_side_that_never_stops_leaves_the_other_its_turns(clock: HandClock) -> None:
    """More comes down than the air can carry; sticks still go up, and none is older than a turn."""
    radio = half_duplex(clock)
    vehicle, station = NotingEndpoint("vehicle"), NotingEndpoint("sticks")
    recorder = NotingRecorder()
    hub = Hub(clock, recorder, vehicle, radio)
    hub.attach(station, "pilot")
    hub.start()
    craft, pilot = Sender(1, 1), Sender(254, 25)
    began_us = clock.now_us()
    for n in range(1_000):
        clock.move_to(began_us + 10_000 * n)
        vehicle.say(craft.attitude(n))
        if n % 20 == 0 and n:
            station.say(pilot.sticks(n))
    hub.close()
    ages_us = [facts["age_us"] for _, kind, facts in recorder.events if kind == "sticks"]
    assert len(ages_us) >= 48
    assert max(ages_us) <= WINDOW_US + 28_000 + TURN_US + 26_000

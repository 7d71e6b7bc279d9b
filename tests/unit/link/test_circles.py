"""Hubs in a circle, over real sockets: every frame reaches everybody once, and the counters add up to the last one."""

from __future__ import annotations

import socket

import pytest

from asflown.link.echoes import GENERATION_FRAMES, GENERATION_US, Echoes
from asflown.link.hub import Hub
from asflown.link.sequences import SequenceWatch
from asflown.link.taps import NoRecorder
from asflown.link.udp import UdpEndpoint, UdpListenEndpoint
from asflown.url import Url
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import port_of, udp_socket
from tests.unit.link.test_hub import Field

FRAME = Sender().heartbeat()


class Station:
    """A plain UDP socket that dials a hub, and notes what it is given."""

    def __init__(self, port: int, system: int) -> None:
        self.socket = udp_socket()
        self.socket.setblocking(False)
        self.sender = Sender(system, 190)
        self.heard: list[bytes] = []
        self._place = ("127.0.0.1", port)

    def say(self, frame: bytes) -> None:
        """Speaks to its hub."""
        self.socket.sendto(frame, self._place)

    def listen(self) -> None:
        """Takes what has come."""
        try:
            while True:
                self.heard.append(self.socket.recv(2_000))
        except BlockingIOError:
            return


class Circle:
    """A vehicle, two hubs joined twice, and five stations: two and one at ports of the near hub, two at the far one."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.vehicle = udp_socket()
        self.vehicle.setblocking(False)
        self.events: list[str] = []
        recorder = NoRecorder(lambda kind, facts: self.events.append(kind))
        self.near = Hub(clock, recorder, dial(clock, "vehicle", port_of(self.vehicle)), None)
        self.links = [listen(clock, "join-1"), listen(clock, "join-2")]
        self.near_ports = [listen(clock, "near-1"), listen(clock, "near-2")]
        for endpoint in (*self.links, *self.near_ports):
            self.near.attach(endpoint, "station")
        self.near.start()
        first, second = (dial(clock, f"to-{link.name}", link.port) for link in self.links)
        self.far = Hub(clock, recorder, first, None)
        self.far_ports = [listen(clock, "far-1")]
        self.far.attach(second, "station")
        self.far.attach(self.far_ports[0], "station")
        self.far.start()
        one, two, three = self.near_ports[0].port, self.near_ports[1].port, self.far_ports[0].port
        self.stations = [Station(port, 255 - n) for n, port in enumerate((one, one, two, three, three))]

    def meet(self) -> None:
        """Everybody has spoken once, so that everybody is heard."""
        greeting = Sender(200, 1).heartbeat()
        for hub_link in (self.far._vehicle, self.far._roster.ports[0].endpoint):
            hub_link.send(greeting)
        self.settle()
        self.vehicle_says(Sender(1, 1).heartbeat())
        for station in self.stations:
            station.say(station.sender.heartbeat())
            self.settle()

    def vehicle_says(self, frame: bytes) -> None:
        """From the vehicle's socket to the near hub."""
        opened = self.near._vehicle
        assert isinstance(opened, UdpEndpoint)
        assert opened._socket is not None
        self.vehicle.sendto(frame, opened._socket.getsockname())

    def settle(self) -> None:
        """Until nothing moves any more; a storm would never end, so rounds are counted."""
        for _ in range(200):
            if not self.clock._poll.poll(0.005):
                break
            self.clock.settle()
        else:
            raise AssertionError("a storm")
        for station in self.stations:
            station.listen()

    def close(self) -> None:
        """Frees every socket."""
        self.near.close()
        self.far.close()
        self.vehicle.close()
        for station in self.stations:
            station.socket.close()


def dial(clock: HandClock, name: str, port: int) -> UdpEndpoint:
    """An endpoint that sends to a loopback port."""
    return UdpEndpoint(Url("udp", host="127.0.0.1", port=port), clock, name)


def listen(clock: HandClock, name: str) -> UdpListenEndpoint:
    """An endpoint with a port of its own."""
    return UdpListenEndpoint(Url("udp-listen", host="127.0.0.1"), clock, name)


@pytest.fixture
def circle(clock: HandClock) -> Circle:
    """A circle in which everybody has been heard."""
    made = Circle(clock)
    made.meet()
    for station in made.stations:
        station.heard.clear()
    return made


def test_two_hubs_in_a_circle_and_five_stations(circle: Circle) -> None:
    """300 frames of the vehicle and 20 of each station: everybody gets each of the others' exactly once, no storm."""
    craft = Sender(1, 1)
    said: dict[int, list[bytes]] = {-1: [craft.attitude(n) for n in range(300)]}
    for number, station in enumerate(circle.stations):
        said[number] = [station.sender.text(f"{number} {n}") for n in range(20)]
    for n in range(300):
        circle.vehicle_says(said[-1][n])
        if n < 20:
            for number, station in enumerate(circle.stations):
                station.say(said[number][n])
        circle.settle()
    for number, station in enumerate(circle.stations):
        expected = [frame for speaker, frames in said.items() if speaker != number for frame in frames]
        assert sorted(station.heard) == sorted(expected)
    up = drained(circle.vehicle)
    assert sorted(up[-100:]) == sorted(frame for number in range(5) for frame in said[number])
    assert_that_counters_add_up(circle)
    assert circle.events.count("circle") >= 1
    circle.close()


def drained(opened: socket.socket) -> list[bytes]:
    """Every datagram that waits."""
    found: list[bytes] = []
    try:
        while True:
            found.append(opened.recv(2_000))
    except BlockingIOError:
        return found


def assert_that_counters_add_up(circle: Circle) -> None:
    """What one end of each join sent, the other heard; what came back is counted and went nowhere."""
    near, far = circle.near.counters(), circle.far.counters()
    assert near["join-1.frames_in"] == far["to-join-1.frames_out"]
    assert near["join-1.frames_out"] == far["to-join-1.frames_in"]
    assert near["join-2.frames_in"] == far["to-join-2.frames_out"]
    assert near["join-2.frames_out"] == far["to-join-2.frames_in"]
    for counted in (near, far):
        dropped = {
            key: count for key, count in counted.items() if key.endswith(("dropped", "rubbish", "waiting"))
        }
        assert not any(dropped.values()), dropped
    passed_on = near["vehicle.frames_in"] + sum(
        near[f"{name}.frames_in"] - near[f"{name}.frames_returned"]
        for name in ("near-1", "near-2", "join-1", "join-2")
    )
    assert near["vehicle.frames_out"] == passed_on - near["vehicle.frames_in"]
    assert sum(far[f"{name}.frames_returned"] for name in ("to-join-1", "to-join-2")) > 0


def test_an_addressed_frame_crosses_a_circle_once(circle: Circle) -> None:
    """A command from the far hub to the vehicle arrives once, and its answer comes back once."""
    far_station = circle.stations[3]
    command = far_station.sender.command()
    far_station.say(command)
    circle.settle()
    assert drained(circle.vehicle).count(command) == 1
    answer = Sender(1, 1).acknowledge((252, 190))
    circle.vehicle_says(answer)
    circle.settle()
    assert [station.heard.count(answer) for station in circle.stations] == [0, 0, 0, 1, 0]
    circle.close()


def test_a_port_that_returns_everything_starts_no_storm(clock: HandClock) -> None:
    """A plug that wires a port's output to its input: what comes back is dropped, counted, and told once."""
    field = Field(clock)
    give = field.map.send

    def send_back(frame: bytes) -> None:
        give(frame)
        field.map.on_frame(frame)

    field.map.send = send_back  # type: ignore[method-assign]
    craft = Sender()
    for n in range(10):
        field.vehicle.say(craft.attitude(n))
    assert (len(field.map.given), len(field.script.given), len(field.vehicle.given)) == (10, 10, 0)
    assert field.hub.counters()["map.frames_returned"] == 10
    assert [kind for _, kind, _ in field.recorder.events] == ["circle"]


def test_somebody_else_s_splitter_that_passes_everything_on_starts_no_storm(clock: HandClock) -> None:
    """A dumb bridge joins two of our ports: a frame that it brings by one comes back by the other, and ends there."""
    field = Field(clock)
    rounds: list[bytes] = []

    def across(frame: bytes) -> None:
        rounds.append(frame)
        assert len(rounds) < 50, "a storm"
        field.sticks.on_frame(frame)

    field.map.send = across  # type: ignore[method-assign]
    frame = Sender(77, 1).heartbeat()
    field.sticks.say(frame)
    assert rounds == [frame]
    assert (field.vehicle.given, field.script.given) == ([frame], [frame])


def test_two_programs_with_the_same_ids_that_start_together_are_both_answered(clock: HandClock) -> None:
    """Their first frames are equal to the last byte; the vehicle hears them once, and both are told."""
    field = Field(clock)
    for endpoint in (field.map, field.sticks):
        twin = Sender(66, 1)
        endpoint.say(twin.heartbeat(), twin.command())
    assert len(field.vehicle.given) == 2
    answer = Sender(1, 1).acknowledge((66, 1))
    field.vehicle.say(answer)
    assert answer in field.map.given
    assert answer in field.sticks.given


STEPS = {
    "the same from somebody else": ([("a", 1, 0), ("b", 1, 5)], [True, False]),
    "again from the same, at once": ([("a", 1, 0), ("a", 1, 5)], [True, False]),
    "a sender that does not count": ([("a", 1, 0), ("a", 1, 50), ("a", 1, 100)], [True, True, True]),
    "again, and the sender has gone on": ([("a", 1, 0), ("a", 2, 50), ("a", 1, 100)], [True, True, False]),
    "256 numbers later": (
        [("a", 1, 0), *(("a", n, n) for n in range(2, 257)), ("a", 257, 300)],
        [True] * 257,
    ),
    "after four seconds": ([("a", 1, 0), ("b", 1, 4_000)], [True, True]),
}


@pytest.mark.parametrize(("steps", "passed"), STEPS.values(), ids=list(STEPS))
def test_what_is_a_copy_and_what_is_not(
    clock: HandClock, steps: list[tuple[str, int, int]], passed: list[bool]
) -> None:
    """Steps are (who says it, number of the heartbeat, after how many milliseconds)."""
    field = Field(clock)
    parties = {"a": field.map, "b": field.sticks}
    began_us = clock.now_us()
    beats = Sender(66, 1)
    frames = [beats.heartbeat() for _ in range(258)]
    got = []
    for who, number, at_ms in steps:
        clock.move_to(began_us + 1_000 * at_ms)
        before = len(field.script.given)
        parties[who].say(frames[number])
        got.append(len(field.script.given) > before)
    assert got == passed


def test_the_memory_lasts_for_two_seconds_at_least_and_four_at_most() -> None:
    """Later, an equal frame is a new one."""

    def remembered(after_us: int) -> bool:
        echoes = Echoes()
        echoes.is_new(0, FRAME, 1, SequenceWatch())
        return not echoes.is_new(after_us, FRAME, 2, SequenceWatch())

    moments = (0, GENERATION_US - 1, GENERATION_US, 2 * GENERATION_US)
    assert [remembered(at) for at in moments] == [True, True, True, False]


def test_the_memory_is_bounded() -> None:
    """A flood pushes out the oldest, and nothing grows without end."""
    echoes = Echoes()
    watch = SequenceWatch()
    for n in range(100_000):
        assert echoes.is_new(1, n.to_bytes(4, "little"), 2, watch)
    assert len(echoes._new) + len(echoes._old) <= 2 * GENERATION_FRAMES
    assert (0).to_bytes(4, "little") not in {**echoes._old, **echoes._new}

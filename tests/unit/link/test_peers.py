"""Several programs at one port: each is a party of its own, with its own counters, and comes and goes as it likes."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from asflown.link.hub import Hub
from asflown.link.taps import NoRecorder
from asflown.link.tcp import TcpListenEndpoint
from asflown.link.udp import UdpListenEndpoint
from asflown.url import Url
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import receive_exactly, udp_socket
from tests.unit.link.test_hub import NotingEndpoint


class Port:
    """A hub with a vehicle that has been heard, and one port for stations."""

    def __init__(self, clock: HandClock, endpoint: UdpListenEndpoint | TcpListenEndpoint) -> None:
        self.clock, self.endpoint = clock, endpoint
        self.vehicle = NotingEndpoint("vehicle")
        self.hub = Hub(clock, NoRecorder(), self.vehicle, None)
        self.hub.attach(endpoint, "station")
        self.hub.start()
        self.craft = Sender(1, 1)
        self.vehicle.say(self.craft.heartbeat())

    @property
    def place(self) -> tuple[str, int]:
        """Where stations dial."""
        return "127.0.0.1", self.endpoint.port

    def until_vehicle_has(self, count: int) -> None:
        """Lets things happen until so many frames reached the vehicle."""
        self.clock.pump(lambda: len(self.vehicle.given) >= count)


@pytest.fixture
def udp(clock: HandClock) -> Iterator[Port]:
    """A UDP port."""
    port = Port(clock, UdpListenEndpoint(Url("udp-listen", host="127.0.0.1"), clock, "stations"))
    yield port
    port.hub.close()


@pytest.fixture
def tcp(clock: HandClock) -> Iterator[Port]:
    """A TCP port."""
    port = Port(clock, TcpListenEndpoint(Url("tcp-listen", host="127.0.0.1"), clock, "stations"))
    yield port
    port.hub.close()


def test_stations_at_one_port_hear_each_other_and_not_themselves(udp: Port) -> None:
    """What one says reaches the vehicle and the other."""
    one, two = Sender(255, 1), Sender(254, 1)
    with udp_socket() as first, udp_socket() as second:
        for count, (peer, sender) in enumerate(((first, one), (second, two)), 1):
            peer.sendto(sender.heartbeat(), udp.place)
            udp.until_vehicle_has(count)
        frame = one.text("here")
        first.sendto(frame, udp.place)
        udp.until_vehicle_has(3)
        assert [message[7] for message in (first.recv(500), second.recv(500))] == [0, 253]
        assert udp.vehicle.given[-1] == frame


def test_an_answer_goes_to_the_one_that_asked(udp: Port) -> None:
    """The other station at the same port is not told."""
    with udp_socket() as first, udp_socket() as second:
        for count, (peer, system) in enumerate(((first, 255), (second, 254)), 1):
            peer.sendto(Sender(system, 190).heartbeat(), udp.place)
            udp.until_vehicle_has(count)
        first.recv(500)  # the other's heartbeat
        answer = udp.craft.acknowledge((254, 190))
        udp.vehicle.say(answer)
        assert second.recv(500) == answer
        first.setblocking(False)
        with pytest.raises(BlockingIOError):
            first.recv(500)


def test_the_port_counts_for_all_and_each_for_itself(udp: Port) -> None:
    """The sum stays when somebody has gone."""
    with udp_socket() as first, udp_socket() as second:
        for count, (peer, system) in enumerate(((first, 255), (second, 254)), 1):
            peer.sendto(Sender(system, 190).heartbeat(), udp.place)
            udp.until_vehicle_has(count)
        udp.vehicle.say(udp.craft.attitude())
        parties = {name: counters["frames_out"] for _, name, counters in udp.hub.parties()}
    assert list(parties.values()) == [2, 1]
    assert all(name.startswith("stations 127.0.0.1:") for name in parties)
    assert udp.hub.counters()["stations.frames_out"] == 3
    udp.hub.detach(udp.endpoint)
    assert udp.hub.parties() == []


def test_a_client_that_leaves_takes_its_routes_with_it(tcp: Port) -> None:
    """What is addressed to it is unroutable from then on, and the sums of the port stay."""
    with socket.create_connection(tcp.place) as client:
        client.sendall(Sender(255, 190).heartbeat())
        tcp.until_vehicle_has(1)
        answer = tcp.craft.acknowledge((255, 190))
        tcp.vehicle.say(answer)
        assert receive_exactly(client, len(answer)) == answer
    tcp.clock.pump(lambda: not tcp.hub.parties())
    tcp.vehicle.say(tcp.craft.acknowledge((255, 190)))
    counters = tcp.hub.counters()
    assert counters["vehicle.frames_unroutable"] == 1
    assert (counters["stations.frames_in"], counters["stations.frames_out"]) == (1, 1)


def test_a_client_may_come_back_as_often_as_it_likes(tcp: Port) -> None:
    """Each time it is heard anew, and nothing of the last time is left."""
    sender = Sender(255, 190)
    for count in range(1, 6):
        with socket.create_connection(tcp.place) as client:
            client.sendall(sender.heartbeat())
            tcp.until_vehicle_has(count)
        tcp.clock.pump(lambda: not tcp.hub.parties())
    assert tcp.hub.counters()["stations.connections"] == 5


def test_a_client_that_breaks_off_while_it_is_sent_to_disturbs_nobody(tcp: Port) -> None:
    """The frame that finds it gone still reaches the others."""
    with socket.create_connection(tcp.place) as stays, socket.create_connection(tcp.place) as goes:
        greetings = [Sender(system, 190).heartbeat() for system in (254, 255)]
        for count, client in enumerate((stays, goes), 1):
            client.sendall(greetings[count - 1])
            tcp.until_vehicle_has(count)
        goes.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
        goes.close()  # a reset, not an orderly end
        frames = [tcp.craft.attitude(n) for n in range(20)]
        for frame in frames:
            tcp.vehicle.say(frame)
        expected = greetings[1] + b"".join(frames)
        assert receive_exactly(stays, len(expected)) == expected
        tcp.clock.pump(lambda: len(tcp.hub.parties()) == 1)

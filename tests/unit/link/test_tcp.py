"""TCP endpoints, with real sockets."""

from __future__ import annotations

import socket

import pytest

from asflown.errors import LinkProblem
from asflown.link.outbox import OUTBOX_BYTES
from asflown.link.ports import free_tcp_port
from asflown.link.tcp import CLIENTS_AT_MOST, TcpEndpoint, TcpListenEndpoint
from asflown.url import Url
from tests.unit.link.frames import Sender, unknown
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import connected_so_often, open_noting, port_of, receive_exactly

FRAME = Sender().heartbeat()
LONG_FRAME = unknown(b"\x07" * 255)


def listening(clock: HandClock, port: int = 0) -> TcpListenEndpoint:
    """A server on loopback, not opened yet."""
    return TcpListenEndpoint(Url("tcp-listen", host="127.0.0.1", port=port), clock, "near")


def client_of(server: TcpListenEndpoint, clock: HandClock) -> socket.socket:
    """A connected client, accepted by the server."""
    before = server.counters()["connections"]
    client = socket.create_connection(("127.0.0.1", server.port), timeout=10)
    clock.pump(lambda: server.counters()["connections"] > before)
    return client


def test_several_clients_hear_and_are_heard(clock: HandClock) -> None:
    """What is sent goes to all; what any sends is heard, however it is cut."""
    server = listening(clock)
    heard = open_noting(server)
    with client_of(server, clock) as first, client_of(server, clock) as second:
        server.send(FRAME)
        assert receive_exactly(first, len(FRAME)) == receive_exactly(second, len(FRAME)) == FRAME
        first.sendall(FRAME[:5])
        second.sendall(unknown() + FRAME[:3])
        first.sendall(FRAME[5:])
        clock.pump(lambda: len(heard) == 2)
        server.close()
    assert sorted(heard) == sorted([FRAME, unknown()])
    assert server.counters()["bytes_rubbish"] == 3


def test_a_stalled_client_disturbs_nobody(clock: HandClock) -> None:
    """Its box stays bounded and the oldest frames give way; the other client misses nothing."""
    server = listening(clock)
    open_noting(server)
    with client_of(server, clock) as stalled, client_of(server, clock) as reader:
        reader.setblocking(False)
        received = bytearray()
        count = 0
        while server.counters()["frames_dropped"] < 100:
            server.send(LONG_FRAME)
            count += 1
            clock.settle()
            while len(received) < count * len(LONG_FRAME):
                received += receive_some(reader)
        stalled_stream = next(iter(server._clients.values()))._stream
        assert len(stalled_stream._outbox.waiting()) <= OUTBOX_BYTES + len(LONG_FRAME)
        server.close()
        stalled.settimeout(10)
    assert received == LONG_FRAME * count


def receive_some(client: socket.socket) -> bytes:
    """What is there, or nothing."""
    try:
        return client.recv(100_000)
    except BlockingIOError:
        return b""


def test_a_client_that_was_slow_goes_on_at_a_frame_s_beginning(clock: HandClock) -> None:
    """After a stall a whole stream of frames comes: some are missing, none is cut."""
    server = listening(clock)
    open_noting(server)
    numbered = [unknown(number.to_bytes(4, "little") + b"\x07" * 250) for number in range(20_000)]
    with client_of(server, clock) as client:
        sent = iter(numbered)
        while server.counters()["frames_dropped"] < 50:
            server.send(next(sent))
        client.setblocking(False)
        received = bytearray()

        def drained() -> bool:
            received.extend(receive_some(client))
            return not next(iter(server._clients.values()))._stream._outbox and not clock._poll.poll(0)

        clock.pump(drained)
        server.send(FRAME)
        while not received.endswith(FRAME):
            received += receive_some(client)
        server.close()
    size = len(numbered[0])
    frames = [bytes(received[at : at + size]) for at in range(0, len(received) - len(FRAME), size)]
    assert frames == sorted(set(frames), key=frames.index)
    assert set(frames) < set(numbered)
    counters = server.counters()
    assert counters["frames_out"] == len(frames) + 1
    assert counters["bytes_out"] == len(received)


def test_a_client_that_leaves_is_forgotten(clock: HandClock) -> None:
    """Its descriptor is freed; sending goes on."""
    server = listening(clock)
    open_noting(server)
    client = client_of(server, clock)
    client.close()
    clock.pump(lambda: not server._clients)
    server.send(FRAME)
    assert server.counters()["frames_dropped"] == 1
    server.close()


def test_clients_are_bounded(clock: HandClock) -> None:
    """One too many is closed at once."""
    server = listening(clock)
    open_noting(server)
    clients = [client_of(server, clock) for _ in range(CLIENTS_AT_MOST)]
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as surplus:
        clock.pump(lambda: not clock._poll.poll(0))
        assert surplus.recv(10) == b""
    for client in clients:
        client.close()
    server.close()


def test_a_tcp_port_in_use_is_a_link_problem(clock: HandClock) -> None:
    """Address reuse does not let a second listener in."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = port_of(taken)
        with pytest.raises(LinkProblem, match=f"^port {port} on 127.0.0.1 is in use; "):
            listening(clock, port).open()


def test_a_client_connects_and_speaks(clock: HandClock) -> None:
    """Frames go both ways once the connection stands; before, they drop and are counted."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        endpoint = TcpEndpoint(Url("tcp", host="127.0.0.1", port=port_of(server)), clock, "near")
        heard = open_noting(endpoint)
        endpoint.send(FRAME)
        clock.pump(lambda: endpoint.counters()["connections"])
        connection, _ = server.accept()
        with connection:
            endpoint.send(FRAME)
            assert receive_exactly(connection, len(FRAME)) == FRAME
            connection.sendall(unknown())
            clock.pump(lambda: heard)
            endpoint.close()
    assert heard == [unknown()]
    assert endpoint.counters()["frames_dropped"] == 1


def test_a_server_that_is_not_there_yet_is_tried_again_with_growing_pauses(clock: HandClock) -> None:
    """Attempts at 0, 0.25, 0.75 and 1.75 s; the one after the server came succeeds."""
    port = free_tcp_port()
    endpoint = TcpEndpoint(Url("tcp", host="127.0.0.1", port=port), clock, "near")
    open_noting(endpoint)
    for when_us in (250_000, 750_000):
        clock.pump(lambda: clock.waiting() == 1)
        clock.move_to(when_us - 1)
        assert clock.waiting() == 1
        clock.move_to(when_us)
    clock.pump(lambda: clock.waiting() == 1)
    with socket.create_server(("127.0.0.1", port)):
        clock.move_to(1_750_000)
        clock.pump(lambda: endpoint.counters()["connections"] == 1)
        endpoint.close()


def test_a_broken_connection_is_made_anew(clock: HandClock) -> None:
    """After the server closed, the endpoint comes back, and pauses start from the shortest again."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        endpoint = TcpEndpoint(Url("tcp", host="127.0.0.1", port=port_of(server)), clock, "near")
        open_noting(endpoint)
        for count in (1, 2, 3):
            clock.pump(connected_so_often(endpoint, count))
            server.accept()[0].close()
            clock.pump(lambda: clock.waiting() == 1)
            clock.move_to(clock.now_us() + 250_000)
        endpoint.close()
    assert clock.waiting() == 0


def test_a_host_that_is_not_known_is_a_link_problem(clock: HandClock) -> None:
    """The sentence names it (.invalid never resolves, RFC 2606)."""
    endpoint = TcpEndpoint(Url("tcp", host="workshop.invalid", port=5760), clock, "near")
    with pytest.raises(LinkProblem, match=r"^host workshop\.invalid is not known"):
        endpoint.open()

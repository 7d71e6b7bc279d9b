"""UDP endpoints, with real sockets."""

from __future__ import annotations

import pytest

from asflown.errors import LinkProblem
from asflown.link.udp import PEERS_AT_MOST, UdpEndpoint, UdpListenEndpoint
from asflown.url import Url
from tests.unit.link.frames import Sender, unknown
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import open_noting, port_of, udp_socket

FRAME = Sender().heartbeat()
LISTEN = Url("udp-listen", host="127.0.0.1")


def dialling(clock: HandClock, port: int) -> UdpEndpoint:
    """An endpoint that sends to a loopback port."""
    return UdpEndpoint(Url("udp", host="127.0.0.1", port=port), clock, "near")


def test_frames_go_out_as_datagrams_and_answers_come_in(clock: HandClock) -> None:
    """One frame in each datagram; the answer to it is heard."""
    with udp_socket() as peer:
        endpoint = dialling(clock, port_of(peer))
        heard = open_noting(endpoint)
        endpoint.send(FRAME)
        data, address = peer.recvfrom(1000)
        peer.sendto(unknown(), address)
        clock.pump(lambda: heard)
        endpoint.close()
    assert (data, heard) == (FRAME, [unknown()])
    counters = endpoint.counters()
    assert (counters["frames_out"], counters["frames_in"], counters["frames_dropped"]) == (1, 1, 0)


def test_nobody_there_is_no_error_and_who_comes_is_served(clock: HandClock) -> None:
    """Datagrams to a closed port vanish; from the first one after it opens, everything arrives."""
    with udp_socket() as placeholder:
        port = port_of(placeholder)
    endpoint = dialling(clock, port)
    open_noting(endpoint)
    for _ in range(5):
        endpoint.send(FRAME)
        clock.settle()
    with udp_socket(port) as peer:
        endpoint.send(FRAME)
        endpoint.send(unknown())
        assert (peer.recv(1000), peer.recv(1000)) == (FRAME, unknown())
    endpoint.close()


def test_a_stranger_is_not_heard_by_a_dialling_endpoint(clock: HandClock) -> None:
    """Only the address it sends to can speak to it."""
    with udp_socket() as peer, udp_socket() as stranger:
        endpoint = dialling(clock, port_of(peer))
        heard = open_noting(endpoint)
        endpoint.send(FRAME)
        _, address = peer.recvfrom(1000)
        stranger.sendto(unknown(), address)
        peer.sendto(FRAME, address)
        clock.pump(lambda: heard)
        clock.settle()
        endpoint.close()
    assert heard == [FRAME]


def test_a_frame_cut_over_datagrams_is_put_together_for_each_peer(clock: HandClock) -> None:
    """Bridges cut streams anywhere; the halves of two peers are not mixed up."""
    endpoint = UdpListenEndpoint(LISTEN, clock, "near")
    heard = open_noting(endpoint)
    other = Sender(9).command()
    with udp_socket() as first, udp_socket() as second:
        for half in (slice(None, 9), slice(9, None)):
            first.sendto(FRAME[half], ("127.0.0.1", endpoint.port))
            second.sendto(other[half], ("127.0.0.1", endpoint.port))
        clock.pump(lambda: len(heard) == 2)
        endpoint.close()
    assert sorted(heard) == sorted([FRAME, other])


def test_everybody_heard_is_answered_and_nobody_else(clock: HandClock) -> None:
    """A peer counts as heard with its first whole frame; rubbish does not make one."""
    endpoint = UdpListenEndpoint(LISTEN, clock, "near")
    heard = open_noting(endpoint)
    endpoint.send(FRAME)
    with udp_socket() as first, udp_socket() as second, udp_socket() as noisy:
        noisy.sendto(b"not a frame", ("127.0.0.1", endpoint.port))
        for peer in (first, second):
            peer.sendto(FRAME, ("127.0.0.1", endpoint.port))
        clock.pump(lambda: len(heard) == 2)
        endpoint.send(unknown())
        assert (first.recv(1000), second.recv(1000)) == (unknown(), unknown())
        noisy.setblocking(False)
        with pytest.raises(BlockingIOError):
            noisy.recv(1000)
        endpoint.close()
    counters = endpoint.counters()
    assert counters["connections"] == 2
    assert (counters["frames_out"], counters["frames_dropped"]) == (2, 1)
    assert counters["bytes_rubbish"] == len(b"not a frame")


def test_peers_are_bounded_and_the_longest_silent_goes_first(clock: HandClock) -> None:
    """Who never sent a frame makes room before who did."""
    endpoint = UdpListenEndpoint(LISTEN, clock, "near")
    endpoint.open()
    assert endpoint._socket is not None
    for number in range(PEERS_AT_MOST):
        clock.move_to(number)
        endpoint._take(endpoint._welcome(endpoint._socket, ("host", number)), FRAME)
    endpoint._peers["host", 3].heard = False
    for newcomer in ("first", "second"):
        clock.move_to(clock.now_us() + 1)
        endpoint._take(endpoint._welcome(endpoint._socket, (newcomer, 0)), FRAME)
    assert len(endpoint._peers) == PEERS_AT_MOST
    assert ("host", 3) not in endpoint._peers
    assert ("host", 0) not in endpoint._peers
    endpoint.close()


def test_a_port_in_use_is_a_link_problem(clock: HandClock) -> None:
    """The whole sentence: which port, and what to do."""
    with udp_socket() as taken:
        port = port_of(taken)
        with pytest.raises(LinkProblem) as caught:
            UdpListenEndpoint(Url("udp-listen", host="127.0.0.1", port=port), clock, "near").open()
    assert str(caught.value) == (
        f"port {port} on 127.0.0.1 is in use; another program listens there. "
        "Find it, close it or choose another port"
    )


@pytest.mark.parametrize("kind", [UdpEndpoint, UdpListenEndpoint], ids=["udp", "udp-listen"])
def test_sending_before_opening_and_after_closing_drops(
    clock: HandClock, kind: type[UdpEndpoint | UdpListenEndpoint]
) -> None:
    """Never an exception; every drop is counted. Closing twice is harmless."""
    endpoint = kind(Url("udp-listen", host="127.0.0.1", port=9), clock, "near")
    endpoint.send(FRAME)
    endpoint.close()
    endpoint.close()
    endpoint.send(FRAME)
    assert endpoint.counters()["frames_dropped"] == 2


def test_an_address_of_another_machine_cannot_be_listened_on(clock: HandClock) -> None:
    """The sentence names the address (192.0.2.1 is set aside for documentation by RFC 5737)."""
    with pytest.raises(LinkProblem, match=r"^192\.0\.2\.1 is no address of this machine"):
        UdpListenEndpoint(Url("udp-listen", host="192.0.2.1", port=9), clock, "near").open()


def test_closing_while_frames_are_handed_over_stops_reading(clock: HandClock) -> None:
    """A listener may close the endpoint from within; what was read already is handed over."""
    endpoint = UdpListenEndpoint(LISTEN, clock, "near")
    heard = open_noting(endpoint)

    def close_then(frame: bytes) -> None:
        heard.append(frame)
        endpoint.close()

    endpoint.on_frame = close_then
    with udp_socket() as peer:
        for _ in range(3):
            peer.sendto(FRAME, ("127.0.0.1", endpoint.port))
        clock.pump(lambda: heard)
    assert heard == [FRAME]

"""The script's port in lockstep: what its modelled queue takes, drops and hands over."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.link.held_udp import (
    AT_ONCE_DATAGRAMS,
    LARGE_COST_BYTES,
    RECEIVE_QUEUE_BYTES,
    SMALL_COST_BYTES,
    HeldUdpPort,
    datagram_cost,
)


class Whole:
    """Takes every datagram as one frame."""

    def feed(self, data: bytes) -> list[bytes]:
        """The datagram itself."""
        return [data]


@pytest.fixture
def script() -> Iterator[socket.socket]:
    """The script's socket."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listening:
        listening.bind(("127.0.0.1", 0))
        listening.settimeout(5)
        yield listening


@pytest.fixture
def port(script: socket.socket) -> Iterator[HeldUdpPort]:
    """The hub's side, opened by the script."""
    held = HeldUdpPort(Whole(), script_listens=True, port=script.getsockname()[1])
    held.open()
    held.opened()
    yield held
    held.close()


def test_the_queue_drops_at_its_tail_and_counts(port: HeldUdpPort) -> None:
    """What does not fit is dropped from the end and counted; what fitted stays in order."""
    fits = RECEIVE_QUEUE_BYTES // SMALL_COST_BYTES
    for _ in range(fits + 7):
        port.send(b"x" * 40)
    assert port.counters()["frames_dropped"] == 7


@given(st.lists(st.integers(21, 280), max_size=400))
def test_the_queue_never_holds_more_than_its_capacity(sizes: list[int]) -> None:
    """Whatever comes, accepted datagrams cost no more than the capacity, and each is accepted or counted."""
    held = HeldUdpPort(Whole(), script_listens=True, port=9)
    held.opened()
    held._peer = ("127.0.0.1", 9)
    accepted_cost = 0
    for size in sizes:
        before = held.counters()["frames_dropped"]
        held.send(b"x" * size)
        if held.counters()["frames_dropped"] == before:
            accepted_cost += datagram_cost(size)
        else:
            assert accepted_cost + datagram_cost(size) > RECEIVE_QUEUE_BYTES
    assert accepted_cost <= RECEIVE_QUEUE_BYTES


def test_the_real_socket_gets_only_what_it_can_hold(port: HeldUdpPort, script: socket.socket) -> None:
    """At most a few datagrams lie in the real socket; the rest follows as they are read, in order."""
    for n in range(100):
        port.send(b"%d" % n)
    assert port.hand_over() == (AT_ONCE_DATAGRAMS, True)
    read = [script.recv(99) for _ in range(AT_ONCE_DATAGRAMS)]
    port.has_read(AT_ONCE_DATAGRAMS)
    assert port.hand_over() == (100, False)
    read += [script.recv(99) for _ in range(100 - AT_ONCE_DATAGRAMS)]
    assert read == [b"%d" % n for n in range(100)]


def test_reading_makes_room(port: HeldUdpPort) -> None:
    """Datagrams that were handed over count until the script has read them."""
    fits = RECEIVE_QUEUE_BYTES // LARGE_COST_BYTES
    for _ in range(fits):
        port.send(b"x" * 280)
    port.hand_over()
    port.send(b"x" * 280)
    assert port.counters()["frames_dropped"] == 1
    port.has_read(10)
    for _ in range(11):
        port.send(b"x" * 280)
    assert port.counters()["frames_dropped"] == 2


def test_nobody_hears_before_the_script_listens(port: HeldUdpPort) -> None:
    """Frames for a script that is not there (any more) are counted as unheard, not as dropped."""
    port.closed()
    port.send(b"x")
    counters = port.counters()
    assert (counters["frames_unheard"], counters["frames_dropped"]) == (1, 0)

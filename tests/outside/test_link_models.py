"""Loss in bursts, rate limits and UDP's own limits, against published formulas and the machine's own sockets."""

from __future__ import annotations

import errno
import itertools
import socket
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.errors import LinkProblem
from asflown.link import wire
from asflown.link.air import Air
from asflown.link.burst_loss import BurstLoss
from asflown.link.udp import RECEIVE_BYTES, UdpListenEndpoint
from asflown.url import Url
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import open_noting

# E. N. Gilbert, BSTJ 39, 1960; E. O. Elliott, BSTJ 42, 1963: good to bad 0.01, bad to good 0.2.
TO_BAD, TO_GOOD = 0.01, 0.2
FRAMES = 400_000


@pytest.fixture(scope="module")
def lost() -> npt.NDArray[np.bool_]:
    """Which of many frames are lost, when the bad state loses all and the good one none."""
    model = BurstLoss(TO_BAD, TO_GOOD, np.random.default_rng(1960))
    return np.array([model.loses() for _ in range(FRAMES)])


@pytest.fixture
def clock() -> Iterator[HandClock]:
    """A clock moved by hand."""
    hand_clock = HandClock()
    yield hand_clock
    hand_clock.close()


def run_lengths(lost: npt.NDArray[np.bool_], which: bool) -> list[int]:
    """Lengths of the stretches of lost (or of received) frames."""
    return [len(list(stretch)) for state, stretch in itertools.groupby(lost.tolist()) if state is which]


def test_mean_loss(lost: npt.NDArray[np.bool_]) -> None:
    """OC-LINK-01: p / (p + r) = 0.047619, by formula and within four sampling errors when drawn."""
    model = BurstLoss(TO_BAD, TO_GOOD, np.random.default_rng(1))
    assert model.mean_loss == pytest.approx(0.047_619, abs=1e-6)
    correlation = 1 - TO_BAD - TO_GOOD
    share = model.mean_loss
    sampling_error = (share * (1 - share) / FRAMES * (1 + correlation) / (1 - correlation)) ** 0.5
    assert lost.mean() == pytest.approx(share, abs=4 * sampling_error)


def test_mean_burst_and_gap(lost: npt.NDArray[np.bool_]) -> None:
    """OC-LINK-02: bursts of 1/r = 5 frames, good stretches of 1/p = 100; geometric, so the error is known."""
    bursts, gaps = run_lengths(lost, which=True), run_lengths(lost, which=False)
    assert np.mean(bursts) == pytest.approx(5, abs=4 * 20**0.5 / len(bursts) ** 0.5)
    assert np.mean(gaps) == pytest.approx(100, abs=4 * 9_900**0.5 / len(gaps) ** 0.5)


def test_correlation_between_neighbours(lost: npt.NDArray[np.bool_]) -> None:
    """OC-LINK-03: 1 - p - r = 0.79 at lag 1, and its square at lag 2."""
    series = lost.astype(float)
    assert np.corrcoef(series[:-1], series[1:])[0, 1] == pytest.approx(0.79, abs=0.01)
    assert np.corrcoef(series[:-2], series[2:])[0, 1] == pytest.approx(0.79**2, abs=0.015)


def test_partial_loss_in_each_state() -> None:
    """OC-LINK-04: 0.02 lost in the good state and 0.5 in the bad make 0.042857."""
    model = BurstLoss(TO_BAD, TO_GOOD, np.random.default_rng(1963), loss_in_good=0.02, loss_in_bad=0.5)
    assert model.mean_loss == pytest.approx(0.042_857, abs=1e-6)
    drawn = np.mean([model.loses() for _ in range(FRAMES)])
    assert drawn == pytest.approx(model.mean_loss, abs=0.003)


def test_a_burst_through_a_token_bucket() -> None:
    """OC-LINK-05 (RFC 2697 family): 5000 bytes/s, depth 1000: 3000 bytes take 0.4 s from a full bucket."""
    air = Air(5_000, 1_000)
    assert max(air.leaves_us(0, 100) for _ in range(30)) == 400_000


@given(st.lists(st.tuples(st.integers(0, 400_000), st.integers(1, 300)), min_size=1, max_size=60))
def test_a_token_bucket_never_lets_more_through(steps: list[tuple[int, int]]) -> None:
    """OC-LINK-05: between any two departures at most 1000 + 5000 t bytes leave (the first frame included)."""
    air = Air(5_000, 1_000)
    now_us = 0
    departures: list[tuple[int, int]] = []
    for pause_us, size in steps:
        now_us += pause_us
        departures.append((air.leaves_us(now_us, size), size))
    for first in range(len(departures)):
        carried = 0
        for at_us, size in departures[first:]:
            carried += size
            assert carried * 1_000_000 <= 1_000 * 1_000_000 + 5_000 * (at_us - departures[first][0] + 1)


def test_half_a_second_carries_3500_bytes() -> None:
    """OC-LINK-05: of one-byte frames offered without end, 3500 have left after 0.5 s."""
    air = Air(5_000, 1_000)
    assert sum(air.leaves_us(0, 1) <= 500_000 for _ in range(10_000)) == 3_500


def test_udp_carries_65507_bytes_and_we_take_them_all(clock: HandClock) -> None:
    """OC-LINK-06 (RFC 768, 791): the longest datagram of IPv4, full of frames, arrives; one byte more is refused."""
    endpoint = UdpListenEndpoint(Url("udp-listen", host="127.0.0.1"), clock, "near")
    heard = open_noting(endpoint)
    frame = Sender().heartbeat()
    count = 65_507 // len(frame)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as peer:
        peer.sendto((frame * count).ljust(65_507, b"\x00"), ("127.0.0.1", endpoint.port))
        with pytest.raises(OSError, match=r".") as refused:
            peer.sendto(bytes(65_508), ("127.0.0.1", endpoint.port))
        clock.pump(lambda: heard)
        endpoint.close()
    assert refused.value.errno == errno.EMSGSIZE
    assert heard == [frame] * count
    assert RECEIVE_BYTES >= 65_507


@pytest.mark.parametrize(
    ("header_bytes", "payload_bytes"), [(20, 1_472), (40, 1_452)], ids=["IPv4 (RFC 791)", "IPv6 (RFC 8200)"]
)
def test_the_longest_frame_never_fragments(header_bytes: int, payload_bytes: int) -> None:
    """OC-LINK-06: Ethernet's 1500 bytes less IP and UDP headers; we send one frame in each datagram."""
    assert 1_500 - header_bytes - 8 == payload_bytes > wire.LONGEST_FRAME


def has_ipv6_loopback() -> bool:
    """Whether this machine lets anybody bind ::1."""
    try:
        with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as probe:
            probe.bind(("::1", 0))
    except OSError:
        return False
    return True


def test_ipv6_works_where_the_machine_has_it(clock: HandClock) -> None:
    """A frame arrives at ::1 (RFC 4291); on a machine without IPv6 the address is refused in a sentence."""
    endpoint = UdpListenEndpoint(Url("udp-listen", host="::1"), clock, "near")
    if not has_ipv6_loopback():
        with pytest.raises(LinkProblem, match="::1"):
            endpoint.open()
        return
    heard = open_noting(endpoint)
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as peer:
        peer.sendto(Sender().heartbeat(), ("::1", endpoint.port))
        clock.pump(lambda: heard)
    endpoint.close()

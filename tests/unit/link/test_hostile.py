"""Peers that send garbage, stall, or mutate frames, over real sockets and a real terminal: nobody else is disturbed."""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Self

import pytest
import serial
from fastcrc.crc16 import mcrf4xx
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.flight.pilot_sticks import StickWatch
from asflown.link import wire
from asflown.link.base import Endpoint
from asflown.link.budget import Budget
from asflown.link.hub import Hub
from asflown.link.joystick import Joystick
from asflown.link.key_file import SigningKey
from asflown.link.pty import PtyEndpoint
from asflown.link.signing import Signing
from asflown.link.survey.ears import Ears
from asflown.link.taps import NoRecorder
from asflown.link.tcp import TcpListenEndpoint
from asflown.link.udp import UdpListenEndpoint
from asflown.url import Url
from asflown.vehicle.standing import VehicleStanding
from tests.unit.link.frames import Sender, unknown, with_flags
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import udp_socket
from tests.unit.link.test_hub import NotingEndpoint

MUTANTS = 10_000


class Yard:
    """A hub with a vehicle that notes, a quiet station over UDP, and ports for the hostile."""

    def __init__(self, clock: HandClock, folder: Path) -> None:
        self.clock = clock
        self.vehicle = NotingEndpoint("vehicle")
        self.hub = Hub(clock, NoRecorder(), self.vehicle, None)
        self.good = UdpListenEndpoint(Url("udp-listen", host="127.0.0.1"), clock, "good")
        self.udp = UdpListenEndpoint(Url("udp-listen", host="127.0.0.1"), clock, "udp")
        self.tcp = TcpListenEndpoint(Url("tcp-listen", host="127.0.0.1"), clock, "tcp")
        self.tty = folder / "tty"
        self.pty = PtyEndpoint(Url("pty", path=str(self.tty)), clock, "pty")
        for endpoint in (self.good, self.udp, self.tcp, self.pty):
            self.hub.attach(endpoint, "station")
        self.hub.start()
        self.vehicle.say(Sender(1, 1).heartbeat())
        self.sender = Sender(250, 190)
        self.station = udp_socket()
        self.station.connect(("127.0.0.1", self.good.port))
        self.said: list[bytes] = []

    def say_well(self) -> None:
        """The quiet station says one frame, which is to reach the vehicle."""
        self.said.append(self.sender.attitude(len(self.said)))
        self.station.send(self.said[-1])
        self.clock.settle()

    def assert_undisturbed(self) -> None:
        """All that the quiet station said reached the vehicle, once and in order."""
        mine = set(self.said)
        self.clock.pump(lambda: sum(frame in mine for frame in self.vehicle.given) >= len(self.said))
        assert [frame for frame in self.vehicle.given if frame in mine] == self.said

    def close(self) -> None:
        """Everything."""
        self.hub.close()
        self.station.close()


@pytest.fixture
def yard(clock: HandClock, tmp_path: Path) -> Iterator[Yard]:
    """Closed afterwards."""
    made = Yard(clock, tmp_path)
    yield made
    made.close()


def mutants(seed: int, count: int) -> Iterator[bytes]:
    """Frames of many kinds, cut, lengthened, overwritten, repeated, run together; the same ones for a seed."""
    random = Random(seed)
    sender = Sender(9, 9)
    makers = (
        sender.heartbeat,
        sender.attitude,
        sender.command,
        lambda: sender.set_point(1.0),
        lambda: sender.text("x" * random.randrange(50)),
        Sender(8, 8, version_1=True).heartbeat,
        lambda: unknown(random.randbytes(random.randrange(1, 255))),
    )
    for _ in range(count):
        frame = bytearray(random.choice(makers)())
        for _ in range(random.randrange(1, 4)):
            at = random.randrange(len(frame)) if frame else 0
            match random.randrange(6):
                case 0:
                    del frame[at:]
                case 1:
                    del frame[at : at + random.randrange(8)]
                case 2:
                    frame[at:at] = random.randbytes(random.randrange(40))
                case 3 if frame:
                    frame[at] = random.choice((0x00, 0xFD, 0xFE, 0xFF, random.randrange(256)))
                case 4:
                    frame += frame[at:]
                case _:
                    frame = frame[at:] + frame[:at]
        yield bytes(frame)


@pytest.mark.parametrize("way", ["udp", "tcp", "pty"])
def test_ten_thousand_mutated_frames_disturb_nobody(yard: Yard, way: str) -> None:
    """Whatever they are made of, nothing is raised, and every byte is a frame's or rubbish."""
    endpoint: Endpoint = getattr(yard, way)
    with hostile(yard, way) as send:
        for number, mutant in enumerate(mutants(2_000 + len(way), MUTANTS)):
            send(mutant)
            if number % 100 == 0:
                yard.say_well()
        yard.assert_undisturbed()
    yard.clock.pump(lambda: endpoint.counters()["bytes_rubbish"] > 100_000)
    assert yard.hub.counters()["good.bytes_rubbish"] == 0


class hostile:  # noqa: N801 - a context manager that reads as a word
    """A peer of the given kind; sending lets the hub work on what came."""

    def __init__(self, yard: Yard, way: str) -> None:
        self.yard, self.way = yard, way
        self.peer: socket.socket | serial.Serial

    def __enter__(self) -> Self:
        if self.way == "udp":
            self.peer = udp_socket()
            self.peer.connect(("127.0.0.1", self.yard.udp.port))
        elif self.way == "tcp":
            self.peer = socket.create_connection(("127.0.0.1", self.yard.tcp.port))
        else:
            self.peer = serial.Serial(str(self.yard.tty), 57_600, timeout=0, write_timeout=0)
        return self

    def __call__(self, data: bytes) -> None:
        """Sends, and lets the hub read; nothing is ever read here."""
        if isinstance(self.peer, serial.Serial):
            while data:  # the terminal hands bytes on in its own time, and takes no more than it has room for
                data = data[self.peer.write(data) or 0 :]
                self.yard.clock.settle()
        elif data:
            self.peer.sendall(data)
            self.yard.clock.settle()

    def __exit__(self, *_: object) -> None:
        self.peer.close()


def test_two_megabytes_of_noise_disturb_nobody(yard: Yard) -> None:
    """Random bytes, start bytes far too many of them, over TCP; a frame of the quiet station in each 10 kB."""
    random = Random(77)
    with hostile(yard, "tcp") as send:
        for _ in range(200):
            noise = bytearray(random.randbytes(10_000))
            for at in range(0, len(noise), 37):
                noise[at] = random.choice((0xFD, 0xFE))
            send(bytes(noise))
            yard.say_well()
        yard.assert_undisturbed()
    counters = yard.hub.counters()
    assert counters["tcp.bytes_in"] == 2_000_000
    assert counters["tcp.bytes_rubbish"] >= 1_990_000


def test_a_client_that_never_reads_disturbs_nobody(yard: Yard) -> None:
    """Its box fills and gives way; the station beside it misses nothing of 5,000 frames."""
    yard.station.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
    yard.station.setblocking(False)
    heard: list[bytes] = []
    craft = Sender(1, 1)
    with socket.create_connection(("127.0.0.1", yard.tcp.port)) as stalled:
        stalled.sendall(Sender(240, 1).heartbeat())
        yard.say_well()
        yard.clock.pump(lambda: len(yard.hub.parties()) == 3)
        frames = [craft.text("y" * 50) for _ in range(5_000)]
        for frame in frames:
            yard.vehicle.say(frame)
            yard.clock.settle()
            try:
                heard.append(yard.station.recv(500))
            except BlockingIOError:
                continue
        while len(heard) < 5_001:
            heard.append(yard.station.recv(500))
    assert [frame for frame in heard if frame in set(frames)] == frames
    counters = yard.hub.counters()
    offered = counters["tcp.frames_out"] + counters["tcp.frames_dropped"] + counters["tcp.frames_waiting"]
    assert offered == 5_000 + 1  # and the quiet station's greeting
    assert counters["good.frames_dropped"] == 0


KNOWN = sorted(wire.CRC_EXTRA)


def framed(message: int, payload: bytes, *, version_1: bool) -> bytes:
    """A frame with a right checksum, whatever its payload is."""
    extra = bytes([wire.CRC_EXTRA[message]])
    if version_1 and message < 256:
        body = struct.pack("<BBBBB", len(payload), 3, 9, 9, message) + payload
        return b"\xfe" + body + mcrf4xx(body + extra).to_bytes(2, "little")
    body = struct.pack("<BBBBBB", len(payload), 0, 0, 3, 9, 9) + message.to_bytes(3, "little") + payload
    return b"\xfd" + body + mcrf4xx(body + extra).to_bytes(2, "little")


@given(st.sampled_from(KNOWN), st.binary(min_size=1, max_size=255), st.booleans())
@settings(max_examples=2_000)
@pytest.mark.slow
def test_a_right_checksum_over_a_wrong_payload_harms_nobody(
    message: int, payload: bytes, version_1: bool
) -> None:
    """Too short, too long, nonsense: whoever reads along takes it or leaves it, and nothing is raised."""
    frame = framed(message, payload, version_1=version_1)
    clock = HandClock()
    assert wire.FrameReader().feed(frame) == [frame]
    budget = Budget(clock, 1_000)
    vehicle, station = NotingEndpoint("vehicle"), NotingEndpoint("map")
    hub = Hub(clock, NoRecorder(), vehicle, None, budget=budget)
    hub.attach(station, "pilot")
    hub.attach(Joystick(Path("/dev/null"), clock), "pilot")
    standing, pilot, ears = VehicleStanding(), StickWatch(), Ears(clock)
    hub.on_vehicle_frame.append(standing.frame)
    hub.on_station_frame.append(lambda _now_us, frame: (pilot.station(frame), None)[1])
    vehicle.say(frame)
    clock.move_to(10_000_000)
    station.say(frame)
    ears.take(frame)
    clock.move_to(20_000_000)
    clock.close()


ORIGINALS = [Sender(9, 9).command(), Sender(9, 9).attitude(7), Sender(9, 9).sticks(1), unknown()]
SIGNED = with_flags(Sender(9, 9).heartbeat(), 1, 50, bytes(13))


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """A frame with bytes overwritten, then cut at either end, or run on into what is no frame."""
    frame = bytearray(draw(st.sampled_from([*ORIGINALS, SIGNED])))
    for _ in range(draw(st.integers(0, 3))):
        frame[draw(st.integers(0, len(frame) - 1))] = draw(st.sampled_from([0x00, 0x01, 0xFD, 0xFE, 0xFF]))
    begin, end = draw(st.integers(0, 12)), draw(st.integers(0, len(frame)))
    return bytes(frame[begin:end]) + draw(st.binary(max_size=8))


@given(st.lists(mutated(), min_size=20, max_size=20))
@settings(max_examples=100)
def test_any_mutation_leaves_the_others_alone(pieces: list[bytes]) -> None:
    """Truncated and mutated frames, twenty at a time, shrunk when one does harm: the quiet station is heard whole."""
    clock = HandClock()
    vehicle, hostile, quiet = NotingEndpoint("vehicle"), NotingEndpoint("hostile"), NotingEndpoint("quiet")
    hub = Hub(clock, NoRecorder(), vehicle, None, signing=Signing(SigningKey(bytes(32)), lambda: 0))
    hub.attach(hostile, "station")
    hub.attach(quiet, "pilot")
    vehicle.say(Sender(1, 1).heartbeat())
    reader, sender = wire.FrameReader(), Sender(250, 190)
    said = [sender.attitude(n) for n in range(len(pieces))]
    for piece, frame in zip(pieces, said, strict=True):
        hostile.say(*reader.feed(piece))
        vehicle.say(*wire.FrameReader().feed(piece))
        quiet.say(frame)
    assert [frame for frame in vehicle.given if frame in said] == said
    clock.close()

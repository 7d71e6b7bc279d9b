"""`asflown link share`: the command as a process, with real sockets, captures, keys and a disk that fills up."""

from __future__ import annotations

import json
import os
import resource
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from asflown.errors import ExitCode, FlightError, UsageError
from asflown.link.key_file import SigningKey
from asflown.link.share import Outlet, Sharing, Watching, share
from asflown.link.signing import EPOCH_S, Signing, Standing
from asflown.link.taps import LastingRecorder
from asflown.record.decode import index
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import port_of, udp_socket


class Shared:
    """A running `asflown link share`: the vehicle's socket, and where the outlets are."""

    def __init__(self, process: subprocess.Popen[str], vehicle: socket.socket) -> None:
        self.process, self.vehicle = process, vehicle
        assert process.stderr is not None
        line = process.stderr.readline()
        assert "is shared with" in line, line + process.stderr.read()
        words = line.partition("is shared with ")[2].partition(";")[0]
        self.ports = [int(url.rpartition(":")[2]) for url in words.split(", ") if url != "a joystick"]
        self.place = vehicle.recvfrom(500)[1]
        """From where the hub knocks."""

    def vehicle_says(self, frame: bytes) -> None:
        """To the hub."""
        self.vehicle.sendto(frame, self.place)

    def end(self) -> tuple[int, str]:
        """Ctrl-C; the exit code and what was printed."""
        self.process.send_signal(signal.SIGINT)
        out, _ = self.process.communicate(timeout=20)
        return self.process.returncode, out


@contextmanager
def sharing(*arguments: str) -> Iterator[Shared]:
    """The command, sharing a vehicle that is a socket of ours."""
    with udp_socket() as vehicle:
        url = f"udp://127.0.0.1:{port_of(vehicle)}"
        command = [sys.executable, "-m", "asflown", "link", "share", url, *arguments]
        with subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "COLUMNS": "120"},
        ) as process:
            try:
                yield Shared(process, vehicle)
            finally:
                process.kill()


def connected(port: int, system: int) -> socket.socket:
    """A UDP station that has spoken once."""
    station = udp_socket()
    station.connect(("127.0.0.1", port))
    station.send(Sender(system, 190).heartbeat())
    return station


LISTEN = "udp-listen://127.0.0.1:0"


def test_everybody_hears_the_vehicle_and_speaks_to_it(tmp_path: Path) -> None:
    """Over UDP and TCP; one that watches only hears. Captures and counters are there at the end."""
    counters, captures = tmp_path / "counters.json", tmp_path / "captures"
    arguments = ["--to", LISTEN, "--to", "tcp-listen://127.0.0.1:0", "--watch", LISTEN]
    with sharing(*arguments, "--capture", str(captures), "--json", str(counters)) as shared:
        craft = Sender(1, 1)
        shared.vehicle_says(craft.heartbeat())
        with (
            connected(shared.ports[0], 255) as first,
            socket.create_connection(("127.0.0.1", shared.ports[1])) as second,
            connected(shared.ports[2], 253) as third,
        ):
            second.sendall(Sender(254, 190).heartbeat())
            heard = {shared.vehicle.recv(500)[5] for _ in range(2)}
            third.send(Sender(253, 191).command())
            frame = craft.attitude(9)
            while frame not in (first.recv(500), third.recv(500)):
                shared.vehicle_says(frame := craft.attitude(9))
            second.settimeout(10)
            assert frame[:10] in second.recv(5_000)
        code, out = shared.end()
    assert heard == {255, 254}
    assert code == ExitCode.INTERRUPTED
    assert "station-1" in out
    counted = json.loads(counters.read_text())["counters"]
    assert counted["station-3.frames_withheld"] == 2
    assert counted["vehicle.frames_in"] == len(index(captures / "vehicle.tlog"))


def test_only_who_signs_with_the_key_may_speak(tmp_path: Path) -> None:
    """A stranger hears, and what it says reaches nobody."""
    key = tmp_path / "flight.key"
    key.write_text("11" * 32)
    key.chmod(0o600)
    with sharing("--to", LISTEN, "--key", str(key), "--capture", str(tmp_path / "c")) as shared:
        shared.vehicle_says(Sender(1, 1).heartbeat())
        signing = Signing(SigningKey(b"\x11" * 32), lambda: (EPOCH_S + 400_000_000) * 1_000_000)
        with connected(shared.ports[0], 255) as station:
            command = Sender(255, 190).command()
            station.send(command)
            station.send(signing.sign(command))
            got = shared.vehicle.recv(500)
        _, out = shared.end()
    assert signing.check(got) is Standing.GENUINE or len(got) == len(command) + 13
    assert "withheld" in out
    assert "11" * 8 not in out
    everything = b"".join(file.read_bytes() for file in (tmp_path / "c").iterdir())
    assert b"\x11" * 16 not in everything


def test_a_full_disk_ends_the_capture_and_not_the_link(tmp_path: Path) -> None:
    """The reader goes on hearing; the exit code tells of it in the end."""
    with sharing("--to", LISTEN, "--capture", str(tmp_path / "c")) as shared:
        craft = Sender(1, 1)
        shared.vehicle_says(craft.heartbeat())
        resource.prlimit(shared.process.pid, resource.RLIMIT_FSIZE, (2_000, 2_000))
        with connected(shared.ports[0], 255) as station:
            shared.vehicle.recv(500)
            frames = [craft.attitude(n) for n in range(300)]
            for frame in frames:
                shared.vehicle_says(frame)
                while station.recv(500) != frame:
                    pass
            shared.process.stderr.readline()  # type: ignore[union-attr]
            shared.vehicle_says(last := craft.attitude(9_999))
            assert station.recv(500) == last
        code, _ = shared.end()
    assert code == ExitCode.NOT_FLOWN
    assert 30 < len(index(tmp_path / "c" / "vehicle.tlog")) < 300


MISTAKES = {
    "nobody to share with": ([], "a link is shared with somebody"),
    "a key that others may read": (["--to", LISTEN, "--key", "KEY"], "has mode 0644"),
    "a radio that is none": (["--to", LISTEN, "--radio", "wifi"], "Did you mean wi-fi?"),
    "a link that is none": (["--to", "udpout:127.0.0.1:1"], "is of no known kind"),
    "a folder that is there": (["--to", LISTEN, "--capture", "."], "cannot be made: File exists"),
    "a key that is missing": (["--to", LISTEN, "--vehicle-must-sign"], "Name its file with --key"),
}


@pytest.mark.parametrize(("arguments", "says"), MISTAKES.values(), ids=list(MISTAKES))
def test_mistakes_are_said_in_a_sentence(tmp_path: Path, arguments: list[str], says: str) -> None:
    """Exit code 2, one line, no traceback."""
    key = tmp_path / "open.key"
    key.write_text("11" * 32)
    key.chmod(0o644)
    words = [str(key) if word == "KEY" else word for word in arguments]
    command = [sys.executable, "-m", "asflown", "link", "share", "udp://127.0.0.1:9", *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == ExitCode.USAGE, done.stderr
    assert says in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


def test_a_port_in_use_is_told_before_anything_is_shared() -> None:
    """And nothing stays open."""
    with udp_socket() as taken:
        watching = Watching(lambda links: None, lambda kind, facts: None, lambda shown: None)
        outlets = (Outlet(f"udp-listen://127.0.0.1:{port_of(taken)}"),)
        with pytest.raises(FlightError, match="is in use"):
            share(Sharing("udp://127.0.0.1:9", outlets), watching)


def test_a_key_is_asked_for_before_anything_is_opened() -> None:
    """An outlet that needs one."""
    watching = Watching(lambda links: None, lambda kind, facts: None, lambda shown: None)
    with pytest.raises(UsageError, match="without a key"):
        share(Sharing("udp://127.0.0.1:9", (Outlet(LISTEN, access="key-to-hear"),)), watching)


def test_a_recorder_that_lasts_tells_each_file_once(tmp_path: Path, clock: HandClock) -> None:
    """The other files go on; what could be written stays."""
    problems: list[str] = []
    recorder = LastingRecorder(
        tmp_path / "c", clock, lambda kind, facts: None, lambda p: problems.append(str(p))
    )
    files = {file.path.name: file for file in recorder._recorder._files}
    raw = files["vehicle.tlog"]._raw
    assert raw is not None
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, raw.fileno())
    os.close(full)
    for n in range(40):
        clock.move_to(100_000 * n)
        recorder.frame("vehicle", clock.now_us(), Sender().attitude(n))
        recorder.frame("station", clock.now_us(), Sender(255).attitude(n))
    recorder.close()
    assert len(problems) == 1
    assert "vehicle.tlog cannot be written any more (No space left on device)" in problems[0]
    assert len(index(tmp_path / "c" / "station.tlog")) == 40

"""Serial ports and pseudo terminals, with real ones and pyserial on the other side."""

from __future__ import annotations

import os
import tty
from pathlib import Path

import pytest
import serial

from asflown.errors import LinkProblem
from asflown.link.pty import PtyEndpoint
from asflown.link.serial_port import SerialEndpoint
from asflown.url import Url
from tests.unit.link.frames import Sender, unknown
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.parties import heard_so_many, open_descriptors, open_noting

FRAME = Sender().heartbeat()


def pty_at(path: Path, clock: HandClock) -> PtyEndpoint:
    """A pseudo terminal endpoint, not opened yet."""
    return PtyEndpoint(Url("pty", path=str(path)), clock, "near")


def serial_at(path: Path, clock: HandClock) -> SerialEndpoint:
    """A serial endpoint, not opened yet."""
    return SerialEndpoint(Url("serial", path=str(path), baud=57_600), clock, "far")


def test_pyserial_talks_to_a_pseudo_terminal(clock: HandClock, tmp_path: Path) -> None:
    """Every byte value passes unchanged both ways, for one program after another."""
    endpoint = pty_at(tmp_path / "vehicle", clock)
    heard = open_noting(endpoint)
    every_byte = unknown(bytes(range(1, 256)))
    for count in (1, 2):
        with serial.Serial(str(tmp_path / "vehicle"), 57_600, timeout=10) as port:
            port.write(every_byte)
            clock.pump(heard_so_many(heard, count))
            endpoint.send(every_byte)
            assert port.read(len(every_byte)) == every_byte
    endpoint.close()
    assert heard == [every_byte] * 2
    assert not (tmp_path / "vehicle").is_symlink()


def test_a_serial_endpoint_and_a_pseudo_terminal_talk(clock: HandClock, tmp_path: Path) -> None:
    """Our two ends of one line, thousands of frames each way, none lost or cut."""
    near, far = pty_at(tmp_path / "line", clock), serial_at(tmp_path / "line", clock)
    near_heard, far_heard = open_noting(near), open_noting(far)
    for _ in range(100):
        for _ in range(20):
            near.send(FRAME)
            far.send(unknown())
        clock.settle()
    clock.pump(lambda: len(near_heard) == len(far_heard) == 2000)
    far.close()
    near.close()
    assert (set(near_heard), set(far_heard)) == ({unknown()}, {FRAME})
    assert near.counters()["frames_dropped"] == far.counters()["frames_dropped"] == 0


def test_a_pseudo_terminal_that_nobody_reads_stays_bounded(clock: HandClock, tmp_path: Path) -> None:
    """The oldest frames give way; who opens it then finds whole frames, the last one sent among them."""
    endpoint = pty_at(tmp_path / "vehicle", clock)
    open_noting(endpoint)
    for number in range(5_000):
        endpoint.send(unknown(number.to_bytes(4, "little") + b"\x07" * 20))
    last = unknown((4_999).to_bytes(4, "little") + b"\x07" * 20)
    assert endpoint.counters()["frames_dropped"] > 0
    received = bytearray()
    port = os.open(tmp_path / "vehicle", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def got_last() -> bool:
        try:
            received.extend(os.read(port, 100_000))
        except BlockingIOError:
            return False
        return received.endswith(last)

    clock.pump(got_last)
    os.close(port)
    endpoint.close()


def test_a_taken_path_is_a_link_problem(clock: HandClock, tmp_path: Path) -> None:
    """A file of the user's, and a terminal that lives, are left alone."""
    (tmp_path / "mine").write_text("keep")
    with pytest.raises(LinkProblem) as caught:
        pty_at(tmp_path / "mine", clock).open()
    assert str(caught.value) == (
        f"{tmp_path}/mine exists already. Remove it, or choose another path for the pseudo terminal"
    )
    endpoint = pty_at(tmp_path / "vehicle", clock)
    endpoint.open()
    with pytest.raises(LinkProblem):
        pty_at(tmp_path / "vehicle", clock).open()
    endpoint.close()
    assert (tmp_path / "mine").read_text() == "keep"


def test_a_link_left_over_by_a_killed_run_is_replaced(clock: HandClock, tmp_path: Path) -> None:
    """It leads to a terminal that is no more."""
    (tmp_path / "vehicle").symlink_to("/dev/pts/999999")
    endpoint = pty_at(tmp_path / "vehicle", clock)
    endpoint.open()
    assert (tmp_path / "vehicle").exists()
    endpoint.close()


def test_a_folder_that_is_not_there_is_a_link_problem(clock: HandClock, tmp_path: Path) -> None:
    """The path and the reason are named, and no descriptor stays open."""
    before = open_descriptors()
    with pytest.raises(LinkProblem, match="no link to a pseudo terminal can be made at .*: No such file"):
        pty_at(tmp_path / "nowhere" / "vehicle", clock).open()
    assert open_descriptors() == before


def test_closing_leaves_a_link_that_is_no_longer_ours(clock: HandClock, tmp_path: Path) -> None:
    """Somebody replaced it: it is theirs."""
    endpoint = pty_at(tmp_path / "vehicle", clock)
    endpoint.open()
    (tmp_path / "vehicle").unlink()
    (tmp_path / "vehicle").symlink_to("/dev/null")
    endpoint.close()
    assert (tmp_path / "vehicle").is_symlink()


def test_a_serial_port_that_is_not_there_names_those_that_are(clock: HandClock, tmp_path: Path) -> None:
    """What is wrong, and what there is instead."""
    with pytest.raises(
        LinkProblem, match=f"^there is no serial port {tmp_path}/usb. (There is|No serial port)"
    ):
        serial_at(tmp_path / "usb", clock).open()


def test_a_file_is_no_serial_port(clock: HandClock, tmp_path: Path) -> None:
    """Whatever pyserial raises becomes a sentence."""
    (tmp_path / "file").write_text("")
    with pytest.raises(LinkProblem, match="cannot be opened at 57600 baud"):
        serial_at(tmp_path / "file", clock).open()


def test_a_serial_port_is_not_shared(clock: HandClock, tmp_path: Path) -> None:
    """A second program that asks for it gets told."""
    line = pty_at(tmp_path / "line", clock)
    line.open()
    first = serial_at(tmp_path / "line", clock)
    first.open()
    with pytest.raises(LinkProblem, match="Close the program that uses it"):
        serial_at(tmp_path / "line", clock).open()
    first.close()
    line.close()


def test_a_device_that_was_unplugged_is_opened_again(clock: HandClock, tmp_path: Path) -> None:
    """Frames drop while it is away; afterwards both directions work."""
    device = tmp_path / "usb"
    near, far = os.openpty()
    tty.setraw(far)
    device.symlink_to(os.ttyname(far))
    endpoint = serial_at(device, clock)
    heard = open_noting(endpoint)
    os.close(far)
    os.close(near)
    device.unlink()
    clock.pump(lambda: clock.waiting() == 1)
    endpoint.send(FRAME)
    clock.move_to(250_000)
    assert endpoint.counters()["frames_dropped"] == 1
    again = pty_at(device, clock)
    again.open()
    clock.move_to(750_000)
    again.send(FRAME)
    clock.pump(lambda: heard)
    endpoint.close()
    again.close()
    assert endpoint.counters()["connections"] == 2

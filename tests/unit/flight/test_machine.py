"""What flights need of a machine: each check against a real thing that is there, and one that is not."""

from __future__ import annotations

import os
import socket
import stat
from pathlib import Path

import pytest

from asflown.flight import machine


def test_a_taken_port_is_a_note() -> None:
    """A program that has the port is noticed, although others could open it by address reuse."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind(("127.0.0.1", 0))
        port = other.getsockname()[1]
        assert machine.look_at_port(port).state == "note"
    assert machine.look_at_port(port).state == "ok"


def test_loopback_carries_datagrams_and_streams() -> None:
    """Both are really sent."""
    assert machine.look_at_loopback().state == "ok"


def test_a_full_disk_is_wrong(tmp_path: Path) -> None:
    """Less room than wanted is wrong; what flights hold already is counted."""
    (tmp_path / "flights" / "one").mkdir(parents=True)
    (tmp_path / "flights" / "one" / "vehicle.tlog").write_bytes(b"\0" * 2_000_000)
    found = machine.look_at_disk(tmp_path / "flights", 10**18)
    assert found.state == "wrong"
    assert "1 flights in" in found.found
    assert "take 2 MB" in found.found
    assert machine.look_at_disk(tmp_path / "none yet", 1).state == "ok"


def test_a_file_in_the_way_is_wrong(tmp_path: Path) -> None:
    """A place below a file cannot be written."""
    (tmp_path / "taken").touch()
    assert machine.look_at_disk(tmp_path / "taken" / "flights").state == "wrong"


def program(path: Path, text: str) -> str:
    path.write_text(text)
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


def test_an_interpreter_that_cannot_be_held_is_a_note(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A Python that does not answer is asked, and what follows from it is said."""
    monkeypatch.setenv("ASFLOWN_PYTHON", program(tmp_path / "python", "#!/bin/sh\nexit 1\n"))
    found = machine.look_at_interpreter(tmp_path)
    assert found.state == "note"
    assert "did not answer" in found.found
    assert machine.look_at_script_packages().state == "note"


def test_without_an_engine_there_is_a_note(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No socket, no engine: said with what it is needed for."""
    monkeypatch.setenv("DOCKER_HOST", f"unix://{tmp_path}/engine.sock")
    found = machine.look_at_engine()
    assert found.state == "note"
    assert found.todo.startswith("Only for vehicles in containers.")


def test_serial_ports_that_may_be_used() -> None:
    """A real pseudo-terminal of this user may be used."""
    near_end, far_end = os.openpty()
    name = os.ttyname(far_end)
    try:
        assert machine.look_at_serial([name]).found == f"may be used: {name}"
    finally:
        os.close(near_end)
        os.close(far_end)


@pytest.mark.parametrize(
    ("group", "words"),
    [("dialout", "usermod -aG dialout $USER"), ("root", "udev rule give it to the group dialout")],
    ids=["a group", "root"],
)
def test_a_port_of_others_says_how_to_get_at_it(
    group: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A device that is refused leads to the group that owns it, and never to joining root."""
    device = tmp_path / "ttyUSB0"
    device.touch()
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may use everything
    monkeypatch.setattr(machine, "_group_of", lambda _: group)
    found = machine.look_at_serial([str(device)])
    assert found.state == "note"
    assert words in found.todo
    assert "-aG root" not in found.todo


def test_a_joystick_is_found(tmp_path: Path) -> None:
    """By the name that the system gives joysticks; without one nothing is wrong."""
    assert machine.look_at_joystick(tmp_path).state == "ok"
    (tmp_path / "usb-sticks-event-joystick").touch()
    assert "usb-sticks-event-joystick" in machine.look_at_joystick(tmp_path).found

"""`asflown vehicle serve`: a process of its own, real sockets, a real pseudo terminal, and any MAVLink client."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from pymavlink import mavutil

from asflown.link.ports import free_tcp_port, free_udp_port

STARTED = re.compile(r"palm80 \(built-in, release r1\) is served at (\S+); Ctrl-C ends it")


@contextmanager
def served(*arguments: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A served vehicle, and the link it is at."""
    command = [sys.executable, "-m", "asflown", "vehicle", "serve", "palm80", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            started = STARTED.match(line)
            assert started, line + (process.stderr.read() if process.stderr and not line else "")
            yield process, started[1]
        finally:
            process.kill()


def heartbeat_by(connection: Any) -> Any:
    """The vehicle's heartbeat on a pymavlink connection, after saying hello."""
    with connection:
        for _ in range(30):
            connection.mav.heartbeat_send(6, 8, 0, 0, 0)
            found = connection.recv_match(type="HEARTBEAT", blocking=True, timeout=1.0)
            if found is not None:
                return found
    raise AssertionError("no heartbeat")


def dialled(link: str) -> str:
    """The same place as pymavlink spells it for a client."""
    kind, place = link.split("://")
    return {"udp-listen": "udpout:", "tcp-listen": "tcp:", "pty": ""}[kind] + place


@pytest.mark.parametrize("kind", ["udp-listen", "tcp-listen"])
def test_a_client_that_dials_hears_the_vehicle(kind: str) -> None:
    """The system chooses the port and the command says which."""
    with served("--listen", f"{kind}://127.0.0.1:0") as (_, link):
        heartbeat = heartbeat_by(mavutil.mavlink_connection(dialled(link), dialect="common"))
    assert (heartbeat.get_srcSystem(), heartbeat.custom_mode) == (1, 4301)


def test_a_client_that_waits_is_dialled() -> None:
    """udp://: the vehicle speaks first."""
    port = free_udp_port()
    connection = mavutil.mavlink_connection(f"udpin:127.0.0.1:{port}", dialect="common")
    with served("--listen", f"udp://127.0.0.1:{port}"):
        assert heartbeat_by(connection).custom_mode == 4301


def test_a_serial_client_opens_a_pseudo_terminal(tmp_path: Path) -> None:
    """At the path asked for, which is gone afterwards."""
    path = tmp_path / "vehicle"
    with served("--listen", f"pty://{path}") as (process, _):
        heartbeat = heartbeat_by(mavutil.mavlink_connection(str(path), baud=57600, dialect="common"))
        assert heartbeat.custom_mode == 4301
        process.send_signal(signal.SIGTERM)
        process.wait(10)
    assert not os.path.lexists(path)


@pytest.mark.parametrize(
    ("number", "exit_code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["Ctrl-C", "SIGTERM"]
)
def test_a_signal_ends_it_quietly(number: signal.Signals, exit_code: int) -> None:
    """With the usual exit code and not a word on standard error."""
    with served("--listen", "udp-listen://127.0.0.1:0") as (process, _):
        process.send_signal(number)
        _, errors = process.communicate(timeout=10)
    assert (process.returncode, errors) == (exit_code, "")


def test_a_port_in_use_is_one_message_and_exit_code_three() -> None:
    """No traceback."""
    with served("--listen", f"tcp-listen://127.0.0.1:{free_tcp_port()}") as (_, link):
        command = [sys.executable, "-m", "asflown", "vehicle", "serve", "palm80", "--listen", link]
        second = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert second.returncode == 3
    assert second.stderr.startswith("asflown: ")
    assert "Traceback" not in second.stderr
    assert len(second.stderr.splitlines()) == 1


def arm(craft: Any, wanted: int) -> int:
    """The result of arming (1) or disarming (0), once the craft says that it is ready for it."""
    state = mavutil.mavlink.MAV_STATE_STANDBY if wanted else mavutil.mavlink.MAV_STATE_ACTIVE
    for _ in range(60):
        craft.mav.heartbeat_send(6, 8, 0, 0, 0)
        heartbeat = craft.recv_match(type="HEARTBEAT", blocking=True, timeout=2.0)
        if heartbeat is not None and heartbeat.system_status == state:
            break
    craft.mav.command_long_send(1, 1, 400, 0, wanted, 0, 0, 0, 0, 0, 0)
    return int(craft.recv_match(type="COMMAND_ACK", blocking=True, timeout=10.0).result)


def test_a_script_arms_and_disarms_the_served_vehicle() -> None:
    """Over UDP, with acknowledgements, in real time."""
    with served("--listen", "udp-listen://127.0.0.1:0", "--heading", "90 deg") as (_, link):
        craft = mavutil.mavlink_connection(dialled(link), dialect="common")
        with craft:
            assert [arm(craft, wanted) for wanted in (1, 0)] == [0, 0]

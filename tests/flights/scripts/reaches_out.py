"""Tries everything that a script of a stranger should not be able to do, and says what it got."""

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

secret, port, harness = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])


def read_secret() -> None:
    Path(secret).read_text()


def read_home() -> None:
    own = sys.base_prefix + sys.prefix  # an interpreter may live there, and is shown; nothing else is
    homes = [
        name for home in ("/root", "/home") if Path(home).exists() for name in sorted(Path(home).iterdir())
    ]
    assert [place for place in homes if str(place) not in own]


def write_outside() -> None:
    Path("/usr/asflown-was-here").touch()


def connect_out() -> None:
    socket.create_connection(("127.0.0.1", port), 1).close()


def kill_harness() -> None:
    os.kill(harness, signal.SIGTERM)


def see_processes() -> None:
    assert [place for place in Path("/proc").iterdir() if place.name.isdigit() and int(place.name) > 50]


def know_token() -> None:
    assert os.environ["SECRET_TOKEN"]


def write_own() -> None:
    Path("note.txt").touch()


def start_child() -> None:
    assert (
        subprocess.run([sys.executable, "-c", "print(6 * 7)"], capture_output=True, check=True).stdout
        == b"42\n"
    )


for attempt in (
    read_secret,
    read_home,
    write_outside,
    connect_out,
    kill_harness,
    see_processes,
    know_token,
    write_own,
    start_child,
):
    try:
        attempt()
        print("got", attempt.__name__)
    except (OSError, AssertionError, KeyError):
        print("held", attempt.__name__)

"""The container engine for tests: the machine's own, an image of the built-in vehicle, one that may be stopped."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from tests.flights.flying import REPOSITORY

IMAGE = "asflown-vehicle:test"
SERVE = '[-m, asflown, vehicle, serve, palm80, --listen, "udp-listen://0.0.0.0:14560", --pace, "8"]'
"""Faster than the wall, so that it is ready soon; nobody here minds how well it is flown."""
FILE = """\
asflown: 1
name: boxed
kind: container
container:
  image: {image}
  port: 14560/udp
  command: {command}
{more}"""


def engine_or_skip() -> None:
    """Skips the test where no container engine answers."""
    if shutil.which("docker") is None or docker("version", check=False).returncode:
        pytest.skip("no container engine answers here")


def docker(*words: str, host: str = "", check: bool = True) -> subprocess.CompletedProcess[str]:
    """One command of the engine's own client."""
    before = ["--host", host] if host else []
    return subprocess.run(["docker", *before, *words], capture_output=True, text=True, check=check)


def make_image() -> None:
    """The image of the built-in vehicle as it is now; all but the newest files come from the engine's store."""
    subprocess.run(
        [sys.executable, REPOSITORY / "ci" / "containers" / "make", IMAGE], check=True, capture_output=True
    )


def boxed(folder: Path, command: str = SERVE, *, image: str = IMAGE, more: str = "") -> Path:
    """A vehicle file for a container that runs `command` with the image's Python."""
    file = folder / "boxed.vehicle.yaml"
    file.write_text(FILE.format(image=image, command=command, more=more), encoding="utf-8")
    return file


def left(folder: Path, host: str = "") -> list[str]:
    """Containers and networks of flights in `folder` that the engine still has, and all of its volumes."""
    found = []
    for what in (["ps", "--all"], ["network", "ls"]):
        said = docker(
            *what, "--filter", "label=asflown", "--format", '{{.Label "asflown"}}', host=host
        ).stdout
        found += [flight for flight in said.splitlines() if flight.startswith(str(folder.resolve()))]
    return found + docker("volume", "ls", "--quiet", host=host).stdout.split()


def listening() -> set[str]:
    """Local addresses of all ports that somebody listens on, as `ss -ltnu` shows them, but for the loopback's."""
    lines = subprocess.run(["ss", "-ltnuH"], capture_output=True, text=True, check=True).stdout.splitlines()
    addresses = {line.split()[4] for line in lines}
    return {one for one in addresses if not one.startswith(("127.", "[::1]"))}


def of_flight(folder: Path, host: str = "", *, flying: bool = True, seconds: float = 90) -> dict[str, Any]:
    """The container of a flight in `folder`, as the engine describes it, once its script runs or there is one."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        for flight in folder.glob("flights/*"):
            if not flying or "script-started" in _text(flight / "events.jsonl"):
                name = f"asflown-{flight.name}"
                described = docker("container", "inspect", name, host=host, check=False)
                if not described.returncode:
                    (found,) = json.loads(described.stdout)
                    assert isinstance(found, dict)
                    return found
        time.sleep(0.1)
    raise AssertionError("no script was started")


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError:
        return ""


class OwnEngine:
    """An engine of the test's own, beside the machine's: it can be stopped and started without harm to others.

    It lives in a network namespace of its own, since an engine tidies up bridges that are not its own; what is to reach
    its containers is started with `inside` before it.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.host = f"unix://{folder}/socket"
        self._process: subprocess.Popen[bytes] | None = None
        self._space = f"asflown-{os.getpid()}"
        self.inside = ("nsenter", f"--net=/run/netns/{self._space}")
        subprocess.run(["ip", "netns", "add", self._space], check=True)
        subprocess.run([*self.inside, "ip", "link", "set", "lo", "up"], check=True)

    def start(self) -> None:
        """Starts it, and waits until it answers."""
        folder = self._folder
        self._process = subprocess.Popen(
            [
                *self.inside, "dockerd", "--data-root", folder / "data", "--exec-root", folder / "exec", "--pidfile",
                folder / "pid", "--host", self.host, "--bridge=none", "--iptables=false", "--ip-forward=false",
            ],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        deadline = time.monotonic() + 60
        while docker("version", host=self.host, check=False).returncode:
            assert time.monotonic() < deadline, "the engine does not start"
            time.sleep(0.1)

    def remove(self) -> None:
        """Stops it for good."""
        self.stop()
        subprocess.run(["ip", "netns", "delete", self._space], capture_output=True, check=False)

    def load(self, image: str) -> None:
        """Gives it an image that the machine's engine has."""
        with subprocess.Popen(["docker", "save", image], stdout=subprocess.PIPE) as saved:
            loading = ["docker", "--host", self.host, "load"]
            subprocess.run(loading, stdin=saved.stdout, check=True, capture_output=True)

    def stop(self) -> None:
        """Stops it, as a machine that shuts down does."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(30)
            self._process = None


@contextmanager
def own_engine() -> Iterator[OwnEngine]:
    """An engine of one's own, stopped at the end."""
    if shutil.which("dockerd") is None or os.geteuid():
        pytest.skip("an engine of one's own needs root and dockerd")
    with TemporaryDirectory(prefix="asflown-engine-", ignore_cleanup_errors=True) as folder:
        engine = OwnEngine(Path(folder))  # a socket's path must be short
        try:
            engine.start()
            yield engine
        finally:
            engine.remove()

"""Flies a small script in lockstep against a port that is fed by the clock: what the clock's tests share.

There is no vehicle here: datagrams go down at chosen times, and what the script sends is noted with its time.
"""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import asflown.clock.shim
from asflown.clock.broker import Broker
from asflown.clock.participant import Terms
from asflown.clock.shim.asflown_held.protocol import SOCKET_VARIABLE
from asflown.clock.virtual import VirtualClock
from asflown.link import ports
from asflown.link.held_stream import HeldPtyPort, HeldTcpPort
from asflown.link.held_udp import HeldUdpPort
from asflown.link.modelled import ModelledPort

SHIM = Path(asflown.clock.shim.__file__).parent
PRELUDE = """
import os, select, socket, sys, time
PORT, PATH = int(sys.argv[1]), sys.argv[2]
s = None
def listen():
    s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    s.bind(("127.0.0.1", PORT))
    return s
"""


class Whole:
    """Takes every datagram or chunk as one frame."""

    def feed(self, data: bytes) -> list[bytes]:
        """The data as it came."""
        return [data]


@dataclass
class Run:
    """What came of a script."""

    sent: list[tuple[int, bytes]] = field(default_factory=list)
    """Flight time in microseconds and data of everything that the script sent."""
    output: str = ""
    exit_code: int | None = None
    how: str = ""
    """`gone`, or `left: reason`, or `stuck: reason`."""
    ended_us: int = 0
    counters: dict[str, int] = field(default_factory=dict)


def fly(
    script: str,
    feed: list[tuple[int, bytes]] | None = None,
    *,
    kind: str = "udp-listen",
    seed: int = 1,
    compute_us: int = 0,
    watchdog_s: float = 20.0,
    python: str = sys.executable,
) -> Run:
    """Runs `script` (after PRELUDE) to its end, `feed` going down to it at the times given."""
    folder = Path(tempfile.mkdtemp())
    port = _port(kind, folder)
    clock, run = VirtualClock(), Run()
    port.open()
    broker = Broker(clock, folder / "clock", [port], Terms(seed, compute_us), watchdog_s)
    clock.gate = broker
    port.on_news = broker.notice
    port.on_frame = lambda frame: run.sent.append((clock.now_us(), frame))
    for when_us, data in feed or []:
        clock.call_at(when_us, lambda data=data: port.send(data))  # type: ignore[misc]
    arguments = [str(getattr(port, "port", 0)), str(folder / "tty")]
    environment = {
        **os.environ,
        SOCKET_VARIABLE: str(broker.path),
        "PYTHONPATH": str(SHIM),
        "PYTHONHASHSEED": str(seed),
    }
    command = [python, "-c", PRELUDE + script, *arguments]
    process = subprocess.Popen(
        command,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    try:
        clock.run(_until_over(clock, broker, process.pid, run))
    finally:
        with suppress(ProcessLookupError):  # children may outlive the script, and hold its output open
            os.killpg(process.pid, signal.SIGKILL)
        run.output, _ = process.communicate(timeout=10)
        run.exit_code = process.returncode
        run.counters = port.counters()
        broker.close()
        port.close()
    return run


def _port(kind: str, folder: Path) -> ModelledPort:
    if kind == "tcp":
        return HeldTcpPort(Whole(), port=ports.free_tcp_port())
    if kind == "pty":
        return HeldPtyPort(Whole(), path=folder / "tty")
    return HeldUdpPort(Whole(), script_listens=kind == "udp-listen", port=ports.free_udp_port())


async def _until_over(clock: VirtualClock, broker: Broker, pid: int, run: Run) -> None:
    over: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def end(how: str) -> None:
        if not over.done():
            over.set_result(how)

    broker.on_gone = lambda: end("gone")
    broker.on_left = lambda reason: end(f"left: {reason}")
    broker.on_stuck = lambda reason: end(f"stuck: {reason}")
    broker.expect(pid)
    run.how = await over
    run.ended_us = clock.now_us()

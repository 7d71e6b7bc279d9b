"""The hub against a bare UDP relay in Python: added latency, loss and memory at 5,000 messages a second.

    python -m tests.benchmarks.link_relay [--rate 5000] [--seconds 12] [--runs 5] [--long 60]

Frames go from a socket of ours through a process in the middle to another socket of ours, and each is timed. The
middle is, by turns: the bare relay, which carries both ways as a link must (a selector, recvfrom, sendto); the hub with
a vehicle's port, a station and captures on disk; and, for what waiting for several costs at all, a loop that carries
one way and waits in recvfrom. Prints p50 and p99 of each run, the ratios of their medians, and from one long run of the
hub what was lost and how its memory grew. The sender waits busily, so the machine should have two cores to spare.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import selectors
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import numpy as np

from tests.unit.link.frames import Sender

RECEIVE_BUFFER_BYTES = 4 << 20
FRAMES_MADE = 1 << 16
LINGER_S = 0.5
WARM_UP = 500


@dataclass(frozen=True)
class Run:
    """One run: microseconds, and how many of the frames sent did not arrive."""

    p50_us: float
    p99_us: float
    sent: int
    lost: int
    memory_bytes: tuple[int, int]
    """Resident, of the middle: after a sixth of the frames (ten seconds of the long run), and at the end."""


def relay(out_port: int) -> None:
    """The bare relay: what any splitter has to do at least, for a vehicle and one station."""
    near, far = udp(), udp()
    near.bind(("127.0.0.1", 0))
    far.connect(("127.0.0.1", out_port))
    print(near.getsockname()[1], flush=True)
    selector = selectors.DefaultSelector()
    selector.register(near, selectors.EVENT_READ)
    selector.register(far, selectors.EVENT_READ)
    peer = None
    while True:
        for key, _ in selector.select():
            if key.fileobj is near:
                data, peer = near.recvfrom(65_535)
                far.send(data)
            elif peer is not None:
                near.sendto(far.recv(65_535), peer)


def one_way(out_port: int) -> None:
    """Waits for one socket alone, in recvfrom."""
    near, far = udp(), udp()
    near.bind(("127.0.0.1", 0))
    print(near.getsockname()[1], flush=True)
    place = ("127.0.0.1", out_port)
    while True:
        data, _ = near.recvfrom(65_535)
        far.sendto(data, place)


def hub(out_port: int, folder: Path) -> None:
    """The hub, recording all traffic."""
    from asflown.clock.paced import PacedClock
    from asflown.link.hub import Hub
    from asflown.link.taps import LastingRecorder
    from asflown.link.udp import UdpEndpoint, UdpListenEndpoint
    from asflown.url import Url

    clock = PacedClock()
    recorder = LastingRecorder(folder / "captures", clock, lambda kind, facts: None, lambda problem: None)
    vehicle = UdpListenEndpoint(Url("udp-listen", host="127.0.0.1"), clock, "vehicle")
    made = Hub(clock, recorder, vehicle, None)
    made.attach(UdpEndpoint(Url("udp", host="127.0.0.1", port=out_port), clock, "station"), "station")

    gc.freeze()  # as `asflown link share` does

    async def run() -> None:
        made.start()
        print(vehicle.port, flush=True)
        while True:
            await clock.sleep_until(clock.now_us() + 1_000_000)

    clock.run(run())


def udp() -> socket.socket:
    """A socket with a large receive buffer."""
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)
    return made


@contextlib.contextmanager
def middle(kind: str, out_port: int, folder: Path) -> Iterator[tuple[int, int]]:
    """The process in the middle: its port, and its id."""
    command = [sys.executable, "-m", "tests.benchmarks.link_relay", kind, str(out_port), str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline()), process.pid
        finally:
            process.kill()


def memory_bytes(pid: int) -> int:
    """Resident memory of a process."""
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * 4096


def measured(kind: str, rate: int, seconds: float) -> Run:
    """One run."""
    sender = Sender()
    frames = [sender.attitude(n) for n in range(FRAMES_MADE)]
    near, far = udp(), udp()
    far.bind(("127.0.0.1", 0))
    far.setblocking(False)
    with (
        tempfile.TemporaryDirectory() as folder,
        middle(kind, far.getsockname()[1], Path(folder)) as (port, pid),
    ):
        place = ("127.0.0.1", port)
        for n in range(WARM_UP):
            near.sendto(sender.text(str(n)), place)
            time.sleep(0.001)
        time.sleep(0.2)
        drain(far)
        return pump(near, far, place, frames, pid, rate, int(rate * seconds))


def drain(opened: socket.socket) -> None:
    """Takes what waits."""
    with contextlib.suppress(BlockingIOError):
        while True:
            opened.recv(2_000)


def pump(
    near: socket.socket,
    far: socket.socket,
    place: tuple[str, int],
    frames: list[bytes],
    pid: int,
    rate: int,
    count: int,
) -> Run:
    """Sends each frame when it is due and times it when it comes."""
    number_of = {frame: n for n, frame in enumerate(frames)}
    sent_ns = [0] * FRAMES_MADE
    took_ns = np.zeros(count, dtype=np.int64)
    now_ns, step_ns = time.perf_counter_ns, 1e9 / rate
    begin_ns = now_ns() + 10_000_000
    end_ns = begin_ns + int(count * step_ns) + int(LINGER_S * 1e9)
    sent = got = 0
    first_memory = 0
    while got < count and now_ns() < end_ns:
        if sent < count and now_ns() >= begin_ns + sent * step_ns:
            frame = frames[sent % FRAMES_MADE]
            sent_ns[sent % FRAMES_MADE] = now_ns()
            near.sendto(frame, place)
            sent += 1
            if sent == count // 6:
                first_memory = memory_bytes(pid)
        try:
            data = far.recv(2_000)
        except BlockingIOError:
            continue
        took_ns[got] = now_ns() - sent_ns[number_of[data]]
        got += 1
    took_us = took_ns[:got] / 1_000
    memory = first_memory, memory_bytes(pid)
    return Run(float(np.percentile(took_us, 50)), float(np.percentile(took_us, 99)), sent, sent - got, memory)


KINDS = ("relay", "hub", "one-way")


def compared(rate: int, seconds: float, runs: int) -> dict[str, list[Run]]:
    """Alternating runs of each kind."""
    found: dict[str, list[Run]] = {kind: [] for kind in KINDS}
    for _ in range(runs):
        for kind in KINDS:
            run = measured(kind, rate, seconds)
            found[kind].append(run)
            print(
                f"{kind:7} p50 {run.p50_us:7.1f} us  p99 {run.p99_us:8.1f} us  lost {run.lost} of {run.sent}",
                flush=True,
            )
    return found


def ratios(found: dict[str, list[Run]], against: str) -> tuple[float, float]:
    """Of the hub's median p50 and p99 to those of another kind."""
    p50 = [median(run.p50_us for run in found[kind]) for kind in ("hub", against)]
    p99 = [median(run.p99_us for run in found[kind]) for kind in ("hub", against)]
    return p50[0] / p50[1], p99[0] / p99[1]


def main() -> None:
    """The middle's part, or the measurement."""
    if sys.argv[1:2] == ["relay"]:
        relay(int(sys.argv[2]))
    if sys.argv[1:2] == ["one-way"]:
        one_way(int(sys.argv[2]))
    if sys.argv[1:2] == ["hub"]:
        hub(int(sys.argv[2]), Path(sys.argv[3]))
    parser = argparse.ArgumentParser()
    parser.add_argument("--rate", type=int, default=5_000)
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--long", type=float, default=60.0)
    options = parser.parse_args()
    found = compared(options.rate, options.seconds, options.runs)
    for against in ("relay", "one-way"):
        p50, p99 = ratios(found, against)
        print(
            f"hub against {against}: p50 {p50:.2f}x, p99 {p99:.2f}x (medians of {options.runs} runs)",
            flush=True,
        )
    if options.long:
        run = measured("hub", options.rate, options.long)
        before, after = run.memory_bytes
        print(
            f"hub for {options.long:.0f} s at {options.rate} messages/s: lost {run.lost} of {run.sent}, p50"
            f" {run.p50_us:.1f} us, p99 {run.p99_us:.1f} us, memory {before / 2**20:.1f} MiB after a sixth of that,"
            f" {after / 2**20:.1f} MiB at the end"
        )


if __name__ == "__main__":
    main()

"""The hub against a bare UDP relay in Python: added latency, loss and memory at 5,000 messages a second.

    python -m tests.benchmarks.link_relay [--rate 5000] [--seconds 12] [--runs 5] [--long 60] [--page]

Frames go from a socket of ours through a process in the middle to another socket of ours, and each is timed. The
middle is, by turns: the bare relay, which carries both ways as a link must (a selector, recvfrom, sendto); the hub with
a vehicle's port, a station and captures on disk; and, for what waiting for several costs at all, a loop that carries
one way and waits in recvfrom. Prints p50 and p99 of each run and the CPU time for each frame, the ratios of their
medians, and from long runs of the hub what was lost and how its memory grew: once alone, and once beside a TCP client
that sends it garbage at 2 MB/s. With --page the table goes into harness/docs/link.md. Exit code 1 when the hub's p50 is
more than 1.5 times the relay's, its p99 more than 2 times, a frame is lost, or memory grows by more than 4 MiB. The
sender waits busily, and the garbage has a process of its own: the machine should have two cores to spare.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import os
import selectors
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from statistics import median

import numpy as np

from tests.benchmarks.page import put, table
from tests.unit.link.frames import Sender

RECEIVE_BUFFER_BYTES = 4 << 20
FRAMES_MADE = 1 << 16
LINGER_S = 0.5
WARM_UP = 500
P50_AT_MOST, P99_AT_MOST, GROWTH_AT_MOST_BYTES = 1.5, 2.0, 4 << 20
GARBAGE_BYTES_PER_S, GARBAGE_EVERY_S = 2_000_000, 0.01


@dataclass(frozen=True)
class Run:
    """One run: microseconds, and how many of the frames sent did not arrive."""

    p50_us: float
    p99_us: float
    sent: int
    lost: int
    memory_bytes: tuple[int, int]
    """Resident, of the middle: after a sixth of the frames (ten seconds of the long run), and at the end."""
    cpu_us: float
    """CPU time of the middle for each frame, the kernel's part included."""


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
    """The hub, recording all traffic, with a port for strangers."""
    from asflown.clock.paced import PacedClock
    from asflown.link.hub import Hub
    from asflown.link.taps import LastingRecorder
    from asflown.link.tcp import TcpListenEndpoint
    from asflown.link.udp import UdpEndpoint, UdpListenEndpoint
    from asflown.url import Url

    clock = PacedClock()
    recorder = LastingRecorder(folder / "captures", clock, lambda kind, facts: None, lambda problem: None)
    vehicle = UdpListenEndpoint(Url("udp-listen", host="127.0.0.1"), clock, "vehicle")
    made = Hub(clock, recorder, vehicle, None)
    made.attach(UdpEndpoint(Url("udp", host="127.0.0.1", port=out_port), clock, "station"), "station")
    strangers = TcpListenEndpoint(Url("tcp-listen", host="127.0.0.1"), clock, "strangers")
    made.attach(strangers, "station")

    gc.freeze()  # as `asflown link share` does

    async def run() -> None:
        made.start()
        print(vehicle.port, strangers.port, flush=True)
        while True:
            await clock.sleep_until(clock.now_us() + 1_000_000)

    clock.run(run())


def garbage(port: int) -> None:
    """Random bytes, far too many of them start bytes, at a steady rate until the other side is gone; reads nothing."""
    random = Random(1)
    noise = bytearray(random.randbytes(round(GARBAGE_BYTES_PER_S * GARBAGE_EVERY_S)))
    for at in range(0, len(noise), 37):
        noise[at] = random.choice((0xFD, 0xFE))
    due = time.monotonic()
    with socket.create_connection(("127.0.0.1", port)) as opened, contextlib.suppress(OSError):
        while True:
            opened.sendall(noise)
            due += GARBAGE_EVERY_S
            time.sleep(max(0.0, due - time.monotonic()))


def udp() -> socket.socket:
    """A socket with a large receive buffer."""
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)
    return made


@contextlib.contextmanager
def part(*arguments: str) -> Iterator[subprocess.Popen[bytes]]:
    """Another process of this module, while it is wanted."""
    command = [sys.executable, "-m", "tests.benchmarks.link_relay", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        try:
            yield process
        finally:
            process.kill()


@contextlib.contextmanager
def middle(kind: str, out_port: int, *, beside_garbage: bool) -> Iterator[tuple[int, int]]:
    """The process in the middle: its port, and its id. `beside_garbage` goes with the hub."""
    with tempfile.TemporaryDirectory() as folder, part(kind, str(out_port), folder) as process:
        assert process.stdout is not None
        port, *strangers = process.stdout.readline().split()
        noise = part("garbage", strangers[0].decode()) if beside_garbage else contextlib.nullcontext()
        with noise:
            yield int(port), process.pid


def memory_bytes(pid: int) -> int:
    """Resident memory of a process."""
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * 4096


def cpu_s(pid: int) -> float:
    """CPU time of a process, the kernel's part included."""
    user, system = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


def measured(kind: str, rate: int, seconds: float, *, beside_garbage: bool = False) -> Run:
    """One run."""
    sender = Sender()
    frames = [sender.attitude(n) for n in range(FRAMES_MADE)]
    near, far = udp(), udp()
    far.bind(("127.0.0.1", 0))
    far.setblocking(False)
    with middle(kind, far.getsockname()[1], beside_garbage=beside_garbage) as (port, pid):
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
    first_memory, first_cpu_s = 0, cpu_s(pid)
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
        number = number_of.get(data)
        if number is not None:  # in garbage there may be what looks like an unknown message, and is passed on
            took_ns[got] = now_ns() - sent_ns[number]
            got += 1
    took_us = took_ns[:got] / 1_000
    memory = first_memory, memory_bytes(pid)
    p50_us, p99_us = (float(np.percentile(took_us, share)) for share in (50, 99))
    return Run(p50_us, p99_us, sent, sent - got, memory, 1e6 * (cpu_s(pid) - first_cpu_s) / sent)


KINDS = ("relay", "hub", "one-way")


def compared(rate: int, seconds: float, runs: int) -> dict[str, list[Run]]:
    """Alternating runs of each kind."""
    found: dict[str, list[Run]] = {kind: [] for kind in KINDS}
    for _ in range(runs):
        for kind in KINDS:
            run = measured(kind, rate, seconds)
            found[kind].append(run)
            print(" ".join(cells(kind, run)), flush=True)
    return found


def cells(name: str, run: Run) -> list[str]:
    """A run as a row of the table."""
    before, after = (f"{size / 2**20:.1f}" for size in run.memory_bytes)
    times = [f"{run.p50_us:.1f}", f"{run.p99_us:.1f}", f"{run.cpu_us:.1f}"]
    return [name, *times, str(run.sent), str(run.lost), before, after]


def ratios(found: dict[str, list[Run]], against: str) -> tuple[float, float]:
    """Of the hub's median p50 and p99 to those of another kind."""
    p50 = [median(run.p50_us for run in found[kind]) for kind in ("hub", against)]
    p99 = [median(run.p99_us for run in found[kind]) for kind in ("hub", against)]
    return p50[0] / p50[1], p99[0] / p99[1]


def kept(found: dict[str, list[Run]], long: list[Run]) -> bool:
    """Whether the hub kept what is promised."""
    p50, p99 = ratios(found, "relay")
    lost = sum(run.lost for run in (*found["hub"], *long))
    growth = [after - before for before, after in (run.memory_bytes for run in long)]
    fast = p50 <= P50_AT_MOST and p99 <= P99_AT_MOST
    return fast and not lost and max(growth, default=0) <= GROWTH_AT_MOST_BYTES


def report(options: argparse.Namespace) -> int:
    """The measurement; the exit code."""
    found = compared(options.rate, options.seconds, options.runs)
    rows = [cells(f"{kind}, run {n}", run) for kind in KINDS for n, run in enumerate(found[kind], 1)]
    long: list[Run] = []
    for noisy, name in ((False, "alone"), (True, "beside 2 MB/s of garbage")) * bool(options.long):
        long.append(measured("hub", options.rate, options.long, beside_garbage=noisy))
        rows.append(cells(f"hub for {options.long:.0f} s, {name}", long[-1]))
    heads = [
        "what",
        "p50, µs",
        "p99, µs",
        "CPU a frame, µs",
        "sent",
        "lost",
        "MiB after a sixth",
        "MiB at the end",
    ]
    said = []
    for against in ("relay", "one-way"):
        p50, p99 = ratios(found, against)
        said.append(f"The hub against the {against} loop: p50 {p50:.2f}×, p99 {p99:.2f}×")
    well = kept(found, long)
    text = f"{table(heads, rows)}\n\n{'; '.join(said)} (medians of {options.runs} runs)."
    print(text)
    if options.page:
        put("link.md", "link_relay", text)
    return 0 if well else 1


def main() -> int:
    """The middle's part, or the measurement."""
    match sys.argv[1:]:
        case ["relay", port, _]:
            relay(int(port))
        case ["one-way", port, _]:
            one_way(int(port))
        case ["garbage", port]:
            garbage(int(port))
        case ["hub", port, folder]:
            hub(int(port), Path(folder))
        case _:
            parser = argparse.ArgumentParser()
            parser.add_argument("--rate", type=int, default=5_000)
            parser.add_argument("--seconds", type=float, default=12.0)
            parser.add_argument("--runs", type=int, default=5)
            parser.add_argument("--long", type=float, default=60.0)
            parser.add_argument("--page", action="store_true")
            return report(parser.parse_args())
    return 0


if __name__ == "__main__":
    sys.exit(main())

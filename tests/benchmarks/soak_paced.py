"""The paced half of the soak: a flight in wall time through a shared hub, with five stations at it.

Processes, all real: the served field1400; the hub (`asflown link share`, with captures); a harness that flies it as an
airframe, with its keeper and its script, by way of one of the hub's ports; and five stations at the other ports.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from asflown.link import wire
from asflown.link.ports import free_tcp_port, free_udp_port
from asflown.record import decode
from asflown.record import folder as folders
from tests.benchmarks.soak_looks import Curve, looked_at
from tests.benchmarks.soak_stations import Station, at_tcp, at_terminal, at_udp, talking
from tests.flights.flying import COMMANDING, HELLO, command, write_scenario
from tests.flights.stand_in import served
from tests.flights.test_kept_flights import FLY

SCRIPT = (
    HELLO
    + COMMANDING
    + """\
began = time.monotonic()
stay_s = float(sys.argv[3])
command(400, 1)
command(22, 0, 0, 0, 0, 0, 0, 2)
next_s = 0
while time.monotonic() - began < stay_s:
    message = link.recv_match(type=["BATTERY_STATUS", "HEARTBEAT", "LOCAL_POSITION_NED"], blocking=True, timeout=1)
    if time.monotonic() > next_s:
        link.mav.heartbeat_send(6, 8, 0, 0, 0)
        next_s = time.monotonic() + 0.5
    if message is not None and message.get_type() == "BATTERY_STATUS" and message.battery_remaining < 20:
        break
command(21)
while link.recv_match(type="HEARTBEAT", blocking=True).base_mode & 128:
    link.mav.heartbeat_send(6, 8, 0, 0, 0)
while time.monotonic() - began < stay_s:
    link.recv_match(blocking=True, timeout=1)
    link.mav.heartbeat_send(6, 8, 0, 0, 0)
    time.sleep(0.2)
print("down")
"""
)
"""Up, until the time is over or a fifth of the charge is left; then down, and it goes on listening."""
VEHICLE = "asflown: 1\nname: craft\nkind: airframe\nlink: 'udp://127.0.0.1:{port}'\n"
PORTS = ("station-1", "station-2", "station-3", "station-4", "station-5")
"""Of the hub, in the order of its outlets: the flight, two stations at UDP, one at TCP, the slow one, the terminal."""
KNOCKS = 252
"""The hub's own system number, whose heartbeats go to the vehicle alone."""
BEFORE_FIRST_WORD = 20
"""So many frames a station may have got before it spoke."""
EVERY_S = 1.0


@dataclass(frozen=True)
class Soaked:
    """What came of it."""

    curves: dict[str, Curve]
    counters: dict[str, int]
    stations: Sequence[Station]
    captures: Path
    flown: int
    """The harness's exit code."""
    flight: Path


@dataclass(frozen=True)
class Outlets:
    """Where the hub is reached."""

    flight: int
    udp: int
    tcp: int
    slow: int
    terminal: Path

    def words(self) -> list[str]:
        """As the command has them."""
        here = "127.0.0.1"
        urls = [
            f"udp-listen://{here}:{self.flight}",
            f"udp-listen://{here}:{self.udp}",
            f"tcp-listen://{here}:{self.tcp}",
            f"tcp-listen://{here}:{self.slow}",
            f"pty://{self.terminal}",
        ]
        return [word for url in urls for word in ("--to", url)]


@contextmanager
def shared(folder: Path, vehicle: int, outlets: Outlets) -> Iterator[subprocess.Popen[str]]:
    """The hub; ended by Ctrl-C, after which it says what it counted."""
    told: list[str | Path] = ["--capture", folder / "captures", "--json", folder / "counters.json"]
    words = command("link", "share", f"udp://127.0.0.1:{vehicle}", *outlets.words(), *told)
    with (folder / "share.said").open("w", encoding="utf-8") as said:
        process = subprocess.Popen(words, stdout=said, stderr=said, text=True)
        try:
            while not outlets.terminal.exists():
                assert process.poll() is None, (folder / "share.said").read_text(encoding="utf-8")
                time.sleep(0.1)
            yield process
        finally:
            process.send_signal(signal.SIGINT)
            process.wait(30)


def harness(folder: Path, port: int, seconds: float) -> subprocess.Popen[bytes]:
    """Flies the vehicle at a port of the hub for about so long."""
    file = write_scenario(folder, SCRIPT, time_limit=f"{seconds + 120:.0f} s")
    text = file.read_text(encoding="utf-8").replace('"{link}"]', f'"{{link}}", "{seconds}"]')
    file.write_text(text, encoding="utf-8")
    (folder / "craft.vehicle.yaml").write_text(VEHICLE.format(port=port), encoding="utf-8")
    with (folder / "fly.said").open("wb") as said:
        return subprocess.Popen([sys.executable, "-c", FLY, str(folder)], stdout=said, stderr=said)


def soak(folder: Path, seconds: float) -> Soaked:
    """Everything together, for so long."""
    vehicle = free_udp_port()
    outlets = Outlets(free_udp_port(), free_udp_port(), free_tcp_port(), free_tcp_port(), folder / "tty")
    with (
        served(f"udp-listen://127.0.0.1:{vehicle}", airframe="field1400") as served_one,
        shared(folder, vehicle, outlets) as hub,
    ):
        stations = [
            at_udp("UDP, asks", outlets.udp, 240, asks=True),
            at_udp("UDP, hears", outlets.udp, 241, asks=False),
            at_tcp("TCP, asks", outlets.tcp, 242, slow=False),
            at_tcp("TCP, slow", outlets.slow, 243, slow=True),
            at_terminal("terminal, asks", str(outlets.terminal), 244),
        ]
        flying = harness(folder, outlets.flight, seconds)
        parts = {"vehicle": served_one.pid, "hub": hub.pid, "harness": flying.pid}
        with talking(stations) as quiet, looked_at(lambda: parts | _below(flying.pid), EVERY_S) as curves:
            code = flying.wait(seconds + 300)
            quiet.set()
            served_one.terminate()
            served_one.wait(20)
            time.sleep(2)  # nobody says anything any more, and everybody but the slow one hears what was said
    counters = json.loads((folder / "counters.json").read_text(encoding="utf-8"))["counters"]
    (flight,) = (folder / "flights").iterdir()
    return Soaked(curves, counters, stations, folder / "captures", code, flight)


def _below(pid: int) -> dict[str, int]:
    """The keeper and the script of a harness."""
    found = {}
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
        for child in children:
            words = Path(f"/proc/{child}/cmdline").read_bytes()
            if b"asflown.vehicle.keeper" in words:
                found["keeper"] = int(child)
            elif b"script.py" in words:
                found["script"] = int(child)
    except OSError:
        pass
    return found


def sums(found: Soaked) -> list[list[str]]:
    """What must be equal: a row each, with both numbers; the last column says `no` when they are not."""
    counted = found.counters
    vehicle, station = (
        decode.index(found.captures / name) for name in (folders.VEHICLE_TLOG, folders.STATION_TLOG)
    )
    heard = sum(counted[f"{name}.frames_in"] - counted[f"{name}.frames_returned"] for name in PORTS)
    events = list(folders.read_events(found.captures))
    knocked = sum(event["kind"] == "injected" for event in events)
    rows = [
        ("heard from the vehicle; recorded", counted["vehicle.frames_in"], len(vehicle)),
        ("heard from all others; recorded", heard, len(station) - knocked),
        ("sent up by level; given to the vehicle", _sent_up(counted), counted["vehicle.frames_out"]),
    ]
    for name, those in _at_ports(found.stations).items():
        said = sum(one.said for one in those)
        rows.append((f"said at {name}; heard by the hub", said, counted[f"{name}.frames_in"]))
        if not any(one.slow for one in those):
            took = sum(one.heard for one in those)
            rows.append((f"sent to {name}; heard there", counted[f"{name}.frames_out"], took))
    rows.extend(
        (
            f"{one.name}: to hear since it spoke; sent, waiting or dropped",
            *_to_hear(one, found, vehicle, station),
        )
        for one in found.stations
        if one.slow or one.name.startswith("terminal")
    )
    return [
        [what, str(one), str(other), "yes" if _equal(what, one, other) else "no"] for what, one, other in rows
    ]


def _equal(what: str, one: int, other: int) -> bool:
    """Whether both are the same; before its first word a station may have got a few more."""
    return one <= other <= one + BEFORE_FIRST_WORD if "since it spoke" in what else one == other


def _sent_up(counted: dict[str, int]) -> int:
    return sum(
        number for key, number in counted.items() if key.startswith("uplink.") and key.endswith(".sent")
    )


def _at_ports(stations: Sequence[Station]) -> dict[str, list[Station]]:
    udp, also_udp, tcp, slow, terminal = stations
    return dict(zip(PORTS[1:], ([udp, also_udp], [tcp], [slow], [terminal]), strict=True))


def _to_hear(one: Station, found: Soaked, vehicle: decode.Index, station: decode.Index) -> tuple[int, int]:
    """How many frames a station that is alone at its port is to get, since it first spoke; and what became of them."""
    own = one.sender.system
    begin_us = int(station.time_us[station.system == own][0])
    to_hear = sum(
        (wire.target_of(index.frame(number)) or (0, 0))[0] in (0, own)
        for index in (vehicle, station)
        for number in range(len(index))
        if int(index.time_us[number]) > begin_us and int(index.system[number]) not in (own, KNOCKS)
    )
    (name,) = (port for port, those in _at_ports(found.stations).items() if one in those)
    return to_hear, sum(
        found.counters[f"{name}.{end}"] for end in ("frames_out", "frames_waiting", "frames_dropped")
    )

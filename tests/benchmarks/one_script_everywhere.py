"""One script, unmodified, by one command each: built-in, container, bench with simulated physics, airframe stand-ins.

    python -m tests.benchmarks.one_script_everywhere [--put] [--keep DIR]

Needs a container engine and about eight minutes: all but one of the flights take place in wall time, one after another.
The airframe stand-ins are the built-in vehicle in a process of its own, behind the radio emulation, at the end of a
real pty (57,600 baud), UDP or TCP link; their operator's answers are typed on a real terminal.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from asflown.change.sets import FlownFlight, read_flight
from asflown.change.uplink import align, steps
from asflown.grade.grade import read_grade
from asflown.link.ports import free_tcp_port, free_udp_port
from asflown.record.manifest import Manifest
from asflown.record.manifest import read as read_manifest
from asflown.report import words
from tests.benchmarks.page import put
from tests.flights import engines
from tests.flights.benches import rig
from tests.flights.flying import SCENARIOS, command
from tests.flights.operated import run_on_terminal
from tests.flights.stand_in import load_fence, served, vehicle_file

SCENARIO = SCENARIOS / "nest_boxes" / "nest-boxes.scenario.yaml"
MEASURES = (
    "cross_track_p95",
    "vertical_p95",
    "speed_on_legs",
    "dwell_at_holds",
    "landing_offset",
    "duration",
)
WIND = ("--heading", "30 deg", "--wind", "2 m/s", "--wind-from", "240 deg", "--turbulence", "light")
RADIO = ("--radio", "sub-ghz-telemetry")
NEAR_M = 0.3
"""Places asked for that are nearer than this count as equal: the script lays them on what it was told at its start."""


@dataclass(slots=True)
class Row:
    """One way to fly the script, and what came of it."""

    name: str
    words: list[str]
    folder: Path | None = None
    said: str = ""
    notes: list[str] = field(default_factory=list)


@contextmanager
def at_pty(folder: Path) -> Iterator[list[str]]:
    """The stand-in behind a serial port."""
    tty = folder / "tty"
    with served(f"pty://{tty}", *RADIO, *WIND, parameters=1000):
        load_fence(str(tty))
        yield ["--vehicle", str(vehicle_file(folder, f"serial://{tty}?baud=57600", "at-57600-baud"))]


@contextmanager
def at_udp(folder: Path) -> Iterator[list[str]]:
    """The stand-in behind UDP."""
    port = free_udp_port()
    with served(f"udp-listen://127.0.0.1:{port}", *RADIO, *WIND):
        load_fence(f"udpout:127.0.0.1:{port}")
        yield ["--vehicle", str(vehicle_file(folder, f"udp://127.0.0.1:{port}", "at-udp"))]


@contextmanager
def at_tcp(folder: Path) -> Iterator[list[str]]:
    """The stand-in behind TCP."""
    port = free_tcp_port()
    with served(f"tcp-listen://127.0.0.1:{port}", *RADIO, *WIND):
        load_fence(f"tcp:127.0.0.1:{port}")
        yield ["--vehicle", str(vehicle_file(folder, f"tcp://127.0.0.1:{port}", "at-tcp"))]


@contextmanager
def in_container(folder: Path) -> Iterator[list[str]]:
    """The vehicle in a container."""
    engines.make_image()
    text = (SCENARIOS / "vehicles" / "boxed-palm80.vehicle.yaml").read_text(encoding="utf-8")
    file = folder / "boxed-palm80.vehicle.yaml"
    file.write_text(text.replace("asflown-vehicle:latest", engines.IMAGE), encoding="utf-8")
    yield ["--vehicle", str(file)]


@contextmanager
def on_bench(folder: Path) -> Iterator[list[str]]:
    """The flight controller on a bench, over two ptys."""
    with rig(folder) as file:
        yield ["--vehicle", str(file)]


@contextmanager
def built_in(_folder: Path) -> Iterator[list[str]]:
    """No vehicle file at all."""
    yield ["--vehicle", "palm80"]


@contextmanager
def built_in_paced(_folder: Path) -> Iterator[list[str]]:
    """The same by wall time."""
    yield ["--vehicle", "palm80", "--clock", "paced"]


WAYS = {
    "built-in, lockstep": built_in,
    "built-in, wall time": built_in_paced,
    "container": in_container,
    "bench, simulated physics": on_bench,
    "airframe, pty at 57,600 baud": at_pty,
    "airframe, UDP": at_udp,
    "airframe, TCP": at_tcp,
}


def main() -> int:
    """Flies, prints the table, writes the page; 1 when a flight did not pass."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--put", action="store_true", help="into harness/docs/real-vehicles.md")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--only", action="append", default=[], help="a part of a way's name")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="asflown-everywhere-") as folder:
        keep = (options.keep or Path(folder) / "flights").resolve()
        chosen = [name for name in WAYS if not options.only or any(part in name for part in options.only)]
        rows = [flown(name, Path(folder), keep) for name in chosen]
        text = table(rows)
    print(text)
    if options.put:
        put("real-vehicles.md", "one_script_everywhere", text)
    return int(any(_verdict(row) != "pass" for row in rows))


def flown(name: str, folder: Path, keep: Path) -> Row:
    """One flight by one command."""
    place = folder / name.replace(" ", "-").replace(",", "")
    kept = keep / place.name
    if (said := kept / "command.txt").is_file():  # flown before, and kept
        return Row(name, said.read_text(encoding="utf-8").split(), _flight(kept))
    place.mkdir()
    with WAYS[name](place) as words_of_way:
        shown = [word.replace(f"{place}/", "") for word in words_of_way]
        row = Row(name, shown)
        sys.stderr.write(f"{name} ...\n")
        command_line = command("fly", SCENARIO, *words_of_way, "--flights", "1", "--keep", kept)
        code, row.said = run_on_terminal(command_line, place)
    row.folder = _flight(kept)
    if not code:
        (kept / "command.txt").write_text(" ".join(shown), encoding="utf-8")
    if code:
        sys.stderr.write(f"exit code {code}:\n{row.said[-3000:]}\n")
    return row


def _flight(kept: Path) -> Path | None:
    """The newest flight that is not the simulation before it."""
    found = [
        one
        for one in sorted(kept.glob("2*"))
        if not read_manifest(one).vehicle.name.startswith("palm80-for-")
    ]
    return found[-1] if found else None


def _verdict(row: Row) -> str:
    return "not flown" if row.folder is None else read_grade(row.folder).verdict


def table(rows: list[Row]) -> str:
    """The page: verdicts, uplink and measures of every way, each beside the first."""
    flights = {row.name: read_flight(row.folder) for row in rows if row.folder is not None}
    first = next(iter(flights.values()), None)
    lines = [
        "`scenarios/nest_boxes/nest_boxes.py`, unmodified, by one command each, on one machine with two cores that had",
        "other work, too. The airframe stand-ins are the built-in vehicle in a process of its own behind the emulated",
        "57,600 baud radio, the one at the pty with 1,000 parameters aboard.",
        "",
        "| flown as | command: `asflown fly scenarios/nest_boxes ...` | verdict | graded by | clock | preflight took |",
        "|---|---|---|---|---|---|",
    ]
    for row in rows:
        manifest = None if row.folder is None else read_manifest(row.folder)
        shown = " ".join(row.words)
        facts = (
            "" if manifest is None else f"{_truth(manifest)} | {manifest.clock.kind} | {_looked(manifest)}"
        )
        lines.append(f"| {row.name} | `{shown}` | {_verdict(row)} | {facts} |")
    lines += ["", f"| flown as | {' | '.join(MEASURES)} |", f"|---|{'---|' * len(MEASURES)}"]
    lines += [f"| {row.name} | {' | '.join(_measures(row))} |" for row in rows]
    lines += [
        "",
        "What the script asked for, step by step (a command, or a run of set-points of one kind), against the first",
        f"row; places count as equal within {NEAR_M:g} m:",
        "",
        "| flown as | steps | same order | places equal | farthest apart | script SHA-256 | frames sent |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        if row.name in flights and first is not None:
            lines.append(f"| {row.name} | {_uplink(flights[row.name], first)} |")
    return "\n".join(lines) + "\n"


def _truth(manifest: Manifest) -> str:
    return "its estimate; truth known" if manifest.vehicle.kind in {"built-in", "bench"} else "its estimate"


def _looked(manifest: Manifest) -> str:
    seconds = manifest.preflight.get("seconds")
    return "–" if seconds is None else f"{seconds:.1f} s"


def _measures(row: Row) -> Iterator[str]:
    grade = None if row.folder is None else read_grade(row.folder)
    for name in MEASURES:
        found = [] if grade is None else [one for one in grade.measures if one.name == name]
        value = found[0].value if found else None
        yield "–" if value is None else words.quantity(value, found[0].unit)


def _uplink(flight: FlownFlight, first: FlownFlight) -> str:
    one, other = steps(first), steps(flight)
    aligned = align(one, other)
    same = tuple(step.key for step in one) == tuple(step.key for step in other)
    equal, compared, farthest = 0, 0, 0.0
    for mine, theirs in aligned.pairs:
        if mine.names != theirs.names or not {"forward", "right", "up"} <= set(mine.names):
            continue
        apart = max(
            abs(a - b)
            for name, a, b in zip(mine.names, mine.values, theirs.values, strict=True)
            if name in {"forward", "right", "up"}
        )
        compared, equal, farthest = compared + 1, equal + (apart <= NEAR_M), max(farthest, apart)
    manifest = flight.manifest
    return (
        f"{len(other)} | {'yes' if same else 'no'} | {equal} of {compared} | {farthest:.2f} m |"
        f" `{manifest.script_sha256[:12]}` | {manifest.script.frames_sent}"
    )


if __name__ == "__main__":
    sys.exit(main())

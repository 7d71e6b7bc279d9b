"""Whether this machine can do what flights need: each thing is tried or measured, and nothing is left behind.

What only some flights need (containers, serial ports, joysticks) is a note where it is missing, never wrong.
"""

from __future__ import annotations

import grp
import importlib.util
import os
import shutil
import socket
import subprocess
from collections.abc import Iterable
from pathlib import Path

import docker
from serial.tools import list_ports

from asflown.errors import LinkProblem, ScriptProblem, VehicleProblem
from asflown.flight.installed import Finding
from asflown.flight.interpreter import PROBE_TIMEOUT_S, resolve, users_python
from asflown.link.ports import check_free
from asflown.record.folder import FLIGHTS
from asflown.url import LOOPBACK
from asflown.vehicle.engine import Engine

USUAL_PORT = 14550
"""The port that many scripts open when they are told nothing (common practice, no source)."""
LEAST_FREE_BYTES = 500_000_000
"""Some five hundred flights of a minute; below it, flights may end for want of space."""
INPUT_FOLDER = Path("/dev/input/by-id")
_ANSWER_WITHIN_S = 2.0
_GIGABYTE = 1e9


def look_at_interpreter(folder: Path) -> Finding:
    """Whether the user's Python can be held to virtual time: it is started with the held clock, and asked."""
    try:
        command = resolve(("python",), folder)
    except ScriptProblem as problem:
        return Finding("clock of scripts", "wrong", problem.problem, problem.remedy)
    if command.why_not_held:
        todo = "Flights run in wall time; ASFLOWN_PYTHON=/path/to/python names a CPython 3.9 or newer"
        return Finding("clock of scripts", "note", command.why_not_held, todo)
    return Finding("clock of scripts", "ok", f"{command.argv[0]} can be held to virtual time")


def look_at_script_packages(python: str | None = None) -> Finding:
    """Whether the user's Python has pymavlink, which most scripts import."""
    program = python or users_python()
    probe = [program, "-c", "import pymavlink.mavutil"]
    try:
        done = subprocess.run(
            probe,
            capture_output=True,
            timeout=PROBE_TIMEOUT_S,
            check=False,
            env={**os.environ, "MAVLINK20": "1"},
        )
        works = done.returncode == 0
    except (OSError, subprocess.TimeoutExpired):
        works = False
    if works:
        return Finding("scripts' packages", "ok", f"{program} has pymavlink")
    todo = f"If your script imports it: {program} -m pip install pymavlink"
    return Finding("scripts' packages", "note", f"{program} cannot import pymavlink", todo)


def look_at_loopback() -> Finding:
    """Sends a datagram and a byte of a stream through this machine, as vehicle and script do."""
    try:
        _through_udp()
        _through_tcp()
    except OSError as error:
        todo = "Bring the loopback interface up (ip link set lo up), or allow local connections"
        return Finding("loopback", "wrong", f"{LOOPBACK} carries nothing: {error}", todo)
    return Finding("loopback", "ok", f"UDP and TCP pass through {LOOPBACK}")


def _through_udp() -> None:
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as there,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here,
    ):
        there.bind((LOOPBACK, 0))
        there.settimeout(_ANSWER_WITHIN_S)
        here.sendto(b"\xfd", there.getsockname())
        there.recv(8)


def _through_tcp() -> None:
    with (
        socket.create_server((LOOPBACK, 0)) as server,
        socket.create_connection(server.getsockname(), _ANSWER_WITHIN_S) as here,
    ):
        server.settimeout(_ANSWER_WITHIN_S)
        there, _ = server.accept()
        with there:
            there.settimeout(_ANSWER_WITHIN_S)
            here.sendall(b"\xfd")
            there.recv(8)


def look_at_port(port: int = USUAL_PORT) -> Finding:
    """Whether the usual port of scripts is free; it matters to scripts with a fixed port alone."""
    name = f"port {port}"
    try:
        check_free(f"udp-listen://{LOOPBACK}:{port}")
    except LinkProblem as problem:
        todo = f"Scripts that open {port} themselves cannot: close the program that has it, or give them {{link}}"
        return Finding(name, "note", problem.problem, todo)
    return Finding(name, "ok", "free for scripts that open it themselves")


def look_at_engine() -> Finding:
    """Whether a container engine answers, and with which version."""
    try:
        engine = Engine()
    except VehicleProblem as problem:
        todo = f"Only for vehicles in containers. {problem.remedy}"
        return Finding("container engine", "note", problem.problem, todo)
    try:
        version = str(engine.client.version().get("Version", "of unknown version"))
    except docker.errors.DockerException as error:
        return Finding("container engine", "note", f"it answers, but {error}", "Look at the engine's log")
    finally:
        engine.close()
    return Finding("container engine", "ok", f"answers, {version}")


def look_at_serial(ports: Iterable[str] | None = None) -> Finding:
    """Whether this user may use serial ports: those that are there, else by the group that owns them."""
    found = sorted(port.device for port in list_ports.comports()) if ports is None else sorted(ports)
    refused = [port for port in found if not os.access(port, os.R_OK | os.W_OK)]
    if refused:
        todo = f"Only for real vehicles: {_how_to_join(_group_of(refused[0]))}"
        return Finding("serial ports", "note", f"this user may not use {', '.join(refused)}", todo)
    if found:
        return Finding("serial ports", "ok", f"may be used: {', '.join(found)}")
    if os.geteuid() == 0 or _in_group("dialout"):
        return Finding("serial ports", "ok", "none plugged in; this user may use them")
    todo = "Only for real vehicles: sudo usermod -aG dialout $USER, then log in again"
    return Finding("serial ports", "note", "none plugged in; this user is not in the group dialout", todo)


def _how_to_join(group: str) -> str:
    """Nobody is told to join root for the sake of a serial port."""
    if group == "root":
        return "the port is root's alone; let a udev rule give it to the group dialout, and join that"
    return f"sudo usermod -aG {group} $USER, then log in again"


def _group_of(device: str) -> str:
    try:
        return Path(device).group()
    except (OSError, KeyError):
        return "dialout"


def _in_group(name: str) -> bool:
    try:
        return grp.getgrnam(name).gr_gid in {*os.getgroups(), os.getegid()}
    except KeyError:
        return False


def look_at_joystick(folder: Path = INPUT_FOLDER) -> Finding:
    """Whether a joystick is plugged in, may be read, and the package for it is there."""
    devices = sorted(map(str, folder.glob("*-event-joystick"))) if folder.is_dir() else []
    if not devices:
        return Finding("joystick", "ok", "none plugged in; only pilots of simulated flights use one")
    unread = [device for device in devices if not os.access(device, os.R_OK)]
    if unread:
        todo = "To fly with it: sudo usermod -aG input $USER, then log in again"
        return Finding("joystick", "note", f"this user may not read {', '.join(unread)}", todo)
    if importlib.util.find_spec("evdev") is None:
        todo = "To fly with it: pip install 'asflown[joystick]'"
        return Finding("joystick", "note", f"{devices[0]}, but no package evdev", todo)
    return Finding("joystick", "ok", devices[0])


def look_at_disk(flights: Path = FLIGHTS, least_bytes: int = LEAST_FREE_BYTES) -> Finding:
    """Whether flights can be written, how much room is left for them, and how much they take already."""
    standing = next(place for place in (flights.absolute(), *flights.absolute().parents) if place.exists())
    if not standing.is_dir() or not os.access(standing, os.W_OK | os.X_OK):
        todo = "Work in a folder of your own, or name one: asflown fly --keep DIR"
        return Finding("disk", "wrong", f"{standing} cannot be written", todo)
    free_bytes = shutil.disk_usage(standing).free
    held_bytes, count = _size(flights)
    found = (
        f"{free_bytes / _GIGABYTE:.1f} GB free; {count} flights in {flights} take {held_bytes / 1e6:.0f} MB"
    )
    if free_bytes < least_bytes:
        return Finding(
            "disk", "wrong", found, f"Free {least_bytes / _GIGABYTE:.1f} GB, or fly with --keep DIR"
        )
    return Finding("disk", "ok", found)


def _size(flights: Path) -> tuple[int, int]:
    """Bytes of all files below a folder, and how many folders lie in it; a file that goes meanwhile counts not."""
    total = 0
    for folder, _, files in os.walk(flights):
        for name in files:
            try:
                total += Path(folder, name).lstat().st_size
            except OSError:
                continue
    return total, sum(place.is_dir() for place in flights.iterdir()) if flights.is_dir() else 0


def look_at_processors() -> Finding:
    """How many processors this process may use: as many flights can be flown side by side."""
    count = len(os.sched_getaffinity(0))
    return Finding("processors", "ok", f"{count}; flights side by side: asflown fly --workers {count}")


def look_at_machine(folder: Path) -> tuple[Finding, ...]:
    """Everything, in the order of the table."""
    return (
        look_at_interpreter(folder),
        look_at_script_packages(),
        look_at_loopback(),
        look_at_port(),
        look_at_disk(),
        look_at_processors(),
        look_at_engine(),
        look_at_serial(),
        look_at_joystick(),
    )

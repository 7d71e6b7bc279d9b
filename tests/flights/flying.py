"""Flying from tests the way users do: the command, in a process of its own, with scenario files of the test's own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from asflown.record import manifest as manifests
from asflown.record.manifest import Manifest

REPOSITORY = Path(__file__).parents[2]
SCENARIOS = REPOSITORY / "scenarios"

SCENARIO = """\
asflown: 1
name: {name}
vehicle: palm80
script:
  run: [python, script.py, --link, "{{link}}"]
  time_limit: {time_limit}
{script_more}expect:
  path:
    frame: start-heading
    legs:
      - climb: {{to: 2 m}}
      - land: {{}}
  rules:
    - {{name: ceiling, always: "height < 4 m"}}
{more}"""

HELLO = """
import os, sys, time
os.environ["MAVLINK20"] = "1"
from pymavlink import mavutil
link = mavutil.mavlink_connection(sys.argv[2], dialect="common")
link.wait_heartbeat()
link.mav.heartbeat_send(6, 8, 0, 0, 0)
"""
"""The start of a script that finds its vehicle and says so."""
COMMANDING = """
def command(number, *params):
    while True:
        link.mav.command_long_send(1, 1, number, 0, *params, *(0,) * (7 - len(params)))
        answer = link.recv_match(type="COMMAND_ACK", blocking=True, timeout=1)
        if answer is not None and answer.command == number and answer.result == 0:
            return
        link.mav.heartbeat_send(6, 8, 0, 0, 0)
"""
"""How such a script asks until its vehicle accepts."""


@dataclass(frozen=True)
class Flown:
    """What a run of the command left behind."""

    exit_code: int
    stdout: str
    stderr: str
    folders: tuple[Path, ...]
    report: dict[str, Any]
    """The JSON report; empty when there is none."""

    @property
    def manifest(self) -> Manifest:
        """The manifest of the only flight."""
        (folder,) = self.folders
        return manifests.read(folder)

    @property
    def flight(self) -> dict[str, Any]:
        """The only flight of the JSON report."""
        (flight,) = self.report["flights"]
        assert isinstance(flight, dict)
        return flight

    def says(self) -> str:
        """All output in one line, however it was wrapped for the terminal."""
        return " ".join((self.stdout + " " + self.stderr).split())


def write_scenario(
    folder: Path,
    script: str,
    *,
    name: str = "try-out",
    time_limit: str = "30 s",
    script_more: str = "",
    more: str = "",
) -> Path:
    """A scenario with `script` beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "script.py").write_text(script, encoding="utf-8")
    file = folder / f"{name}.scenario.yaml"
    file.write_text(
        SCENARIO.format(name=name, time_limit=time_limit, script_more=script_more, more=more),
        encoding="utf-8",
    )
    return file


def command(*arguments: str | Path) -> list[str]:
    """The command line of asflown with `arguments`."""
    return [sys.executable, "-m", "asflown", *map(str, arguments)]


def fly(folder: Path, *arguments: str | Path, timeout_s: float = 240, **variables: str) -> Flown:
    """Runs `asflown fly` with its flights and JSON report in `folder`."""
    keep, report = folder / "flights", folder / "report.json"
    done = subprocess.run(
        command("fly", *arguments, "--keep", keep, "--json", report),
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        env={**os.environ, "COLUMNS": "100", **variables},
        check=False,
    )
    folders = tuple(sorted(entry for entry in keep.iterdir() if entry.is_dir())) if keep.is_dir() else ()
    document = json.loads(report.read_text(encoding="utf-8")) if report.is_file() else {}
    return Flown(done.returncode, done.stdout, done.stderr, folders, document)


def processes_of(folder: Path) -> list[int]:
    """Processes that still carry the mark of the flight in `folder`."""
    mark = f"ASFLOWN_FLIGHT={folder.resolve()}".encode()
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                environment = (entry / "environ").read_bytes()
            except OSError:
                continue
            if mark in environment.split(b"\0"):
                found.append(int(entry.name))
    return found

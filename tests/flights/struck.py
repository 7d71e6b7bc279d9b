"""Runs of the command that something is done to, and what must hold afterwards.

Each run has a folder of its own and a mark in its environment that all its processes inherit: nothing else is ever
looked for or ended. Phases are told from what lies in the flight's folder at that moment.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from asflown.errors import FolderProblem
from asflown.record import decode, truth
from asflown.record import folder as folders
from asflown.record import manifest as manifests
from tests.flights.flying import COMMANDING, HELLO, command, write_scenario

MARK = "ASFLOWN_STRUCK_RUN"
PHASES = ("before", "vehicle start", "script start", "flight", "end", "grading", "report")
Phase = Literal["before", "vehicle start", "script start", "flight", "end", "grading", "report", "over"]
Part = Literal["harness", "worker", "script", "child", "keeper"]

SCRIPT = (
    HELLO
    + "\nimport subprocess"
    + COMMANDING
    + """\
child = subprocess.Popen([sys.executable, "child.py", sys.argv[3]])
command(400, 1)
command(22, 0, 0, 0, 0, 0, 0, 2)
wrong = child.wait()
command(21)
while link.recv_match(type="HEARTBEAT", blocking=True).base_mode & 128:
    link.mav.heartbeat_send(6, 8, 0, 0, 0)
print("down", flush=True)
sys.exit(9 if wrong else 0)
"""
)
"""Goes up with a child beside it, comes down when that has ended, and fails with 9 when the child failed."""
CHILD = "import sys, time\nfor n in range(10 * int(sys.argv[1])):\n    time.sleep(0.1)\nprint('bye', flush=True)\n"


@dataclass
class Run:
    """One run of the command, in a folder of its own."""

    folder: Path
    process: subprocess.Popen[bytes]
    mark: str

    @property
    def flights(self) -> list[Path]:
        """Folders of its flights, in order."""
        keep = self.folder / "flights"
        try:
            return sorted(one for one in keep.iterdir() if one.is_dir() and not one.name.startswith("."))
        except OSError:
            return []

    def said(self) -> str:
        """What it wrote to its terminal."""
        return (self.folder / "said").read_text(encoding="utf-8", errors="replace")

    def pids(self) -> list[int]:
        """Its processes, as far as they still run."""
        entries = (entry for entry in Path("/proc").iterdir() if entry.name.isdigit())
        return [int(entry.name) for entry in entries if self._is_ours(entry)]

    def _is_ours(self, entry: Path) -> bool:
        mark = f"{MARK}={self.mark}".encode()
        try:
            if mark not in (entry / "environ").read_bytes().split(b"\0"):
                return False
            return (entry / "stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
        except OSError:
            return False

    def part(self, which: Part) -> int | None:
        """The process that is this part of the run; None when there is none just now."""
        if which == "harness":
            return self.process.pid if self.process.poll() is None else None
        return next((pid for pid in self.pids() if self._is(pid, which)), None)

    def _is(self, pid: int, which: Part) -> bool:
        try:
            words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
        except OSError:
            return False
        told = {
            "script": b"script.py",
            "child": b"child.py",
            "keeper": b"asflown.vehicle.keeper",
            "worker": b"--multiprocessing-fork",
        }
        return pid != self.process.pid and told.get(which, b"") in words

    def phase(self) -> Phase:
        """How far its newest flight is."""
        if self.process.poll() is not None:
            return "over"
        newest = next(reversed(self.flights), None)
        if newest is None:
            return "before"
        return _phase_of(newest)

    def until(self, phase: Phase, within_s: float = 100) -> bool:
        """Waits for a phase in wall time; whether it came, and was not over before it was seen."""
        wanted, end = (*PHASES, "over").index(phase), time.monotonic() + within_s
        while time.monotonic() < end:
            now = (*PHASES, "over").index(self.phase())
            if now >= wanted:
                return now == wanted
            time.sleep(0.0005)
        return False

    def wait(self, within_s: float = 180) -> int | None:
        """Its exit code; None when it does not end."""
        try:
            return self.process.wait(within_s)
        except subprocess.TimeoutExpired:
            return None


def _phase_of(flight: Path) -> Phase:
    try:
        manifest = (flight / manifests.FILE_NAME).read_bytes()
        events = (flight / folders.EVENTS).read_bytes()
        spoken = (flight / folders.SCRIPT_TLOG).stat().st_size
    except OSError:
        return "vehicle start"
    if (flight / "grade.json").exists():
        return "report"
    if b'"outcome": "interrupted"' not in manifest:
        return "grading"
    if b'"script-ended"' in events:
        return "end"
    if b'"script-started"' not in events:
        return "vehicle start"
    return "flight" if spoken else "script start"


def scenario(folder: Path, *, seconds: int = 3, more: str = "") -> Path:
    """A scenario whose script is up for about so many seconds."""
    file = write_scenario(folder, SCRIPT, more=more, time_limit="60 s")
    text = file.read_text(encoding="utf-8").replace('"{link}"]', f'"{{link}}", "{seconds}"]')
    file.write_text(text, encoding="utf-8")
    (folder / "child.py").write_text(CHILD, encoding="utf-8")
    return file


@contextmanager
def started(
    folder: Path,
    *words: str | Path,
    whole: list[str] | None = None,
    before: Callable[[], None] | None = None,
    variables: Mapping[str, str] | None = None,
) -> Iterator[Run]:
    """A run of `asflown fly` in `folder`; `whole` replaces the command line, `before` runs in the child.

    Whatever it has left is ended at the end: those processes alone that carry its mark.
    """
    mark, temporary = uuid.uuid4().hex, folder / "tmp"
    temporary.mkdir(exist_ok=True)
    report: list[str | Path] = [
        "--keep",
        folder / "flights",
        "--json",
        folder / "report.json",
        "--junit",
        folder / "report.xml",
    ]
    line = whole or command("fly", "try-out.scenario.yaml", *report, *words)
    environment = {**os.environ, MARK: mark, "TMPDIR": str(temporary), "COLUMNS": "100", **(variables or {})}
    with (folder / "said").open("wb") as said:
        process = subprocess.Popen(
            line,
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            start_new_session=True,
            preexec_fn=before,  # noqa: PLW1509 - the tests' own process has one thread
        )
    run = Run(folder, process, mark)
    try:
        yield run
    finally:
        for pid in run.pids():
            os.kill(pid, signal.SIGKILL)
        process.wait()


@dataclass
class Aftermath:
    """What was found after a run, in the order in which it was looked at; `wrong` is empty when all is well."""

    code: int | None
    outcomes: tuple[str, ...] = ()
    wrong: list[str] = field(default_factory=list)
    damaged: int = 0
    """Frames that do not hold, and bytes of no record, in all taps."""


def aftermath(run: Run, code: int | None, *, orphans_s: float = 15) -> Aftermath:
    """Looks at what a run has left: folders, processes, temporary files, words."""
    found = Aftermath(code)
    wrong = found.wrong
    if code is None:
        wrong.append("the harness did not end")
    elif code == 5:
        wrong.append("a fault of asflown itself")
    said = run.said()
    if "Traceback" in said or (run.folder / ".asflown" / "fault.log").exists():
        wrong.append(f"a traceback: {said[-600:]}")
    if left := _left_running(run, orphans_s):
        wrong.append(f"orphans: {left}")
    found.outcomes = tuple(_outcome(flight, found) for flight in run.flights)
    if code is not None and code >= 0:
        wrong += [f"left behind: {one.name}" for one in (run.folder / "tmp").iterdir()]
    return found


def _left_running(run: Run, within_s: float) -> list[str]:
    """Processes that do not go away by themselves."""
    end = time.monotonic() + within_s
    while (pids := run.pids()) and time.monotonic() < end:
        time.sleep(0.05)
    lines = []
    for pid in pids:
        try:
            lines.append(Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode())
        except OSError:
            continue
    return lines


def _outcome(flight: Path, found: Aftermath) -> str:
    """Reads all of one flight's folder; its outcome."""
    if not (flight / manifests.FILE_NAME).exists():
        held = [one.name for one in flight.iterdir() if one.stat().st_size and one.suffix != ".part"]
        if held:  # between making the folder and writing the manifest nothing is recorded
            found.wrong.append(f"no manifest beside {held}")
        return "no manifest"
    try:
        manifest = folders.read_manifest(flight)
        for name in (folders.VEHICLE_TLOG, folders.SCRIPT_TLOG, folders.STATION_TLOG):
            if (flight / name).exists():
                index = decode.index(flight / name)
                found.damaged += index.damaged_frames + index.rubbish_bytes
        if (flight / truth.FILE_NAME).exists() and (flight / truth.FILE_NAME).stat().st_size:
            truth.read(flight)
        if (flight / folders.EVENTS).exists():
            list(folders.read_events(flight))
    except FolderProblem as problem:
        found.wrong.append(str(problem))
        return "unreadable"
    found.wrong += folders.cut_short(flight, manifest)
    if manifest.outcome in {"completed", "script-failed"} and not manifest.captures:
        found.wrong.append("an outcome without captures")
    return manifest.outcome


def next_run(run: Run, *words: str | Path) -> str:
    """Flies once more in the same folder; what is wrong with that, '' when it passes."""
    (run.folder / "said").replace(run.folder / "said.before")
    with started(run.folder, *words) as again:
        code = again.wait()
        if code != 0:
            return f"the next run ends with {code}: {again.said()[-400:]}"
    report = json.loads((run.folder / "report.json").read_text(encoding="utf-8"))
    return "" if report["flights"][0]["verdict"] == "pass" else "the next run does not pass"


def python() -> str:
    """The interpreter that runs the tests."""
    return sys.executable

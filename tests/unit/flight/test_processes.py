"""Ending a script with everything that it started."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from asflown.clock.wall import Stopwatch, pause
from asflown.errors import ScriptProblem
from asflown.flight import processes
from asflown.flight.processes import FLIGHT_VARIABLE, ScriptProcess


def start(code: str, folder: Path, flight: str) -> ScriptProcess:
    """Starts python code as a script of `flight`, its output in `out` in the folder."""
    environment = {**os.environ, FLIGHT_VARIABLE: flight}
    with (folder / "out").open("ab") as out:
        return ScriptProcess([sys.executable, "-c", code], folder, environment, out.fileno())


def until_written(path: Path) -> str:
    """The content of a file once there is some."""
    watch = Stopwatch()
    while not path.exists() or not path.read_text():
        assert watch.seconds() < 20
        pause(0.01)
    return path.read_text()


def is_alive(pid: int) -> bool:
    """Whether a process runs (a zombie does not)."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"


CHILD = """
import subprocess, sys, time
p = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'], {})
"""


@pytest.mark.parametrize("leaves", ["", "start_new_session=True"], ids=["same group", "own session"])
def test_children_of_a_script_end_with_it(tmp_path: Path, leaves: str) -> None:
    """A child that outlives the script is ended, even when it left the process group."""
    code = CHILD.format(leaves) + "print(p.pid, flush=True); time.sleep(600)"
    script = start(code, tmp_path, f"test-{os.getpid()}-{leaves[:5]}")
    child = int(until_written(tmp_path / "out"))
    assert is_alive(child)
    script.end(gently=False)
    assert not is_alive(child)
    assert not is_alive(script.pid)


def test_a_script_is_asked_before_it_is_ended(tmp_path: Path) -> None:
    """Asked gently, a script may clean up and choose its exit code; ending twice is harmless."""
    code = (
        "import signal, sys, time\nsignal.signal(signal.SIGTERM, lambda *_: sys.exit(7))\n"
        "print('ready', flush=True)\ntime.sleep(600)"
    )
    script = start(code, tmp_path, f"test-{os.getpid()}-gently")
    until_written(tmp_path / "out")
    assert script.end(gently=True) == 7
    assert script.end(gently=True) == 7


def test_only_processes_of_the_flight_are_ended(tmp_path: Path) -> None:
    """Ending strays of one flight leaves another flight's script alone."""
    script = start("import time; time.sleep(600)", tmp_path, f"test-{os.getpid()}-mine")
    processes.end_strays(f"test-{os.getpid()}-other")
    assert is_alive(script.pid)
    script.end(gently=False)


def test_a_program_that_may_not_be_executed_is_named(tmp_path: Path) -> None:
    """The system's reason for not starting a script is passed on."""
    plain = tmp_path / "plain"
    plain.write_text("x", encoding="utf-8")
    with (tmp_path / "out").open("ab") as out, pytest.raises(ScriptProblem, match="Permission denied"):
        ScriptProcess([str(plain)], tmp_path, {FLIGHT_VARIABLE: "t"}, out.fileno())

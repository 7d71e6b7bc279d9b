"""The processes of a script: starting it, and ending everything that it started.

A child that left the script's process group is still found: every descendant inherits the flight's mark in
its environment.
"""

from __future__ import annotations

import ctypes
import os
import select
import signal
import subprocess
from contextlib import suppress
from pathlib import Path

from asflown.clock.wall import Stopwatch, pause
from asflown.errors import ScriptProblem

FLIGHT_VARIABLE = "ASFLOWN_FLIGHT"
GRACE_S = 2.0
"""Wall time that a script gets to end by itself when asked to."""
PARENT_DEATH_SIGNAL = 1
"""PR_SET_PDEATHSIG of prctl(2)."""


class ScriptProcess:
    """One started script with all its descendants."""

    def __init__(self, argv: list[str], folder: Path, environment: dict[str, str], output: int) -> None:
        """Starts it, its output going to the descriptor `output`. Raises ScriptProblem when it cannot start."""
        self._flight = environment[FLIGHT_VARIABLE]
        held = "ASFLOWN_CLOCK_SOCKET" in environment
        try:
            self._process = subprocess.Popen(
                argv,
                cwd=folder,
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=output,
                start_new_session=True,
                # a held script ends when its clock does; this process has one thread
                preexec_fn=None if held else _die_with_parent,  # noqa: PLW1509
            )
        except OSError as error:
            raise ScriptProblem(
                f"the script cannot be started: {argv[0]}: {error.strerror}",
                "Check `script: run:` and that the program may be executed",
            ) from error
        self.pid = self._process.pid
        self.pid_descriptor = os.pidfd_open(self.pid)
        self._closed = False

    def poll(self) -> int | None:
        """The exit code once it has ended (negative: the signal that ended it)."""
        return self._process.poll()

    def interrupt(self) -> None:
        """Does what Ctrl-C in its terminal would."""
        self._signal_group(signal.SIGINT)

    def wait_ended(self, seconds: float) -> int | None:
        """Waits in wall time for the end of a process that is known to be ending."""
        ending = select.poll()
        ending.register(self.pid_descriptor, select.POLLIN)
        return self._process.wait() if ending.poll(seconds * 1000) else None

    def end(self, *, gently: bool) -> int | None:
        """Ends the script and all it started, and returns the script's exit code. Harmless when repeated."""
        if not self._closed:
            if gently and self.poll() is None:
                self._signal_group(signal.SIGTERM)
                self.wait_ended(GRACE_S)
            self._signal_group(signal.SIGKILL)
            self.wait_ended(GRACE_S)
            end_strays(self._flight)
            os.close(self.pid_descriptor)
            self._closed = True
        return self._process.returncode

    def _signal_group(self, number: signal.Signals) -> None:
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self.pid, number)


def end_strays(flight: str) -> None:
    """Ends every process that carries the flight's identifier, wherever it hid."""
    watch = Stopwatch()
    while (strays := _strays(flight)) and watch.seconds() < GRACE_S:
        for pid in strays:
            with suppress(ProcessLookupError, PermissionError):
                os.kill(pid, signal.SIGKILL)
        pause(0.005)


def _strays(flight: str) -> list[int]:
    mark = f"{FLIGHT_VARIABLE}={flight}".encode()
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            with suppress(OSError):
                if mark in (entry / "environ").read_bytes().split(b"\0"):
                    found.append(int(entry.name))
    return found


def _die_with_parent() -> None:
    """Runs in the child: if the harness is killed outright, a script in wall time must not fly on alone."""
    ctypes.CDLL(None).prctl(PARENT_DEATH_SIGNAL, signal.SIGKILL)

"""The script as the conductor sees it on either clock: started, heard of, ended, and what its end means."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from asflown.clock.base import Clock
from asflown.clock.broker import Broker
from asflown.clock.participant import Terms
from asflown.clock.shim.asflown_held.protocol import SOCKET_VARIABLE
from asflown.clock.virtual import VirtualClock
from asflown.flight.interpreter import SHIM_FOLDER, search_path
from asflown.flight.private_place import PrivatePlace
from asflown.flight.processes import FLIGHT_VARIABLE, ScriptProcess
from asflown.flight.sandbox import walled
from asflown.link.modelled import ModelledPort

How = Literal["exited", "left", "stuck"]
WATCHDOG_VARIABLE = "ASFLOWN_WATCHDOG_S"
WATCHDOG_S = 60.0
"""Wall time that a held script may compute without waiting."""
ENDING_S = 5.0
"""Wall time that a process may take from closing its connection to its end."""


@dataclass(frozen=True, slots=True)
class Ending:
    """`exited` by itself; `left` what can be held, or got `stuck`, with the reason."""

    how: How
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Launch:
    """What is started: the filled command lines, where, under which identifier, with their output going where."""

    argv: tuple[str, ...]
    beside: tuple[tuple[str, ...], ...]
    """Programs that run before the script starts and end after it."""
    folder: Path
    flight: str
    output: int
    seed: int
    sandbox: bool = False
    """Whether it is started behind walls, see flight/sandbox.py."""


class ScriptRunner(Protocol):
    """Starts a script and tells how it ended."""

    argv: tuple[str, ...]
    """The script's command line, filled in."""
    ended: asyncio.Future[Ending]
    left: str
    """Which call of any process could not be held; '' while all is well."""

    def spawn(self) -> None:
        """Starts the process. Raises ScriptProblem."""

    def admit(self) -> None:
        """From this flight time on it runs."""

    def close(self, *, gently: bool) -> int | None:
        """Ends the script with all that it started; gives its exit code."""

    def interrupt(self) -> None:
        """Does to the script what Ctrl-C would; it may clean up, or go on."""

    def usage_us(self) -> tuple[int, int] | None:
        """CPU time in total and the longest between two waits, where it is known."""


def environment(launch: Launch) -> dict[str, str]:
    """The user's environment, with what marks this flight's processes."""
    return {**os.environ, FLIGHT_VARIABLE: launch.flight, "PYTHONUNBUFFERED": "1"}


class PacedRunner:
    """A script in wall time: started as it is."""

    def __init__(self, clock: Clock, launch: Launch) -> None:
        self._clock, self._launch = clock, launch
        self.argv = launch.argv
        self.left = ""
        self.ended: asyncio.Future[Ending] = asyncio.get_running_loop().create_future()
        self._process: ScriptProcess | None = None
        self._beside: list[ScriptProcess] = []

    def spawn(self) -> None:
        """Starts what runs beside; in wall time the script itself starts when it is admitted."""
        self._beside = [_start(self._launch, argv, environment(self._launch)) for argv in self._launch.beside]

    def admit(self) -> None:
        """Starts it."""
        self._process = _start(self._launch, self._launch.argv, environment(self._launch))
        self._clock.watch(self._process.pid_descriptor, self._on_exit)

    def interrupt(self) -> None:
        """Sends it SIGINT."""
        if self._process is not None:
            self._process.interrupt()

    def close(self, *, gently: bool) -> int | None:
        """Ends it."""
        code = None
        if self._process is not None:
            self._clock.unwatch(self._process.pid_descriptor)
            code = self._process.end(gently=gently)
        for beside in self._beside:
            beside.end(gently=gently)
        return code

    def usage_us(self) -> tuple[int, int] | None:
        """Not known in wall time."""
        return None

    def _on_exit(self) -> None:
        assert self._process is not None
        self._clock.unwatch(self._process.pid_descriptor)
        _settle(self.ended, Ending("exited"))


class HeldRunner:
    """A script in lockstep: started with the held clock in its path."""

    def __init__(
        self,
        clock: VirtualClock,
        launch: Launch,
        port: ModelledPort,
        compute_us: int,
        meanwhile: Callable[[], bool],
    ) -> None:
        """`meanwhile` is what the harness does while a process runs, piece by piece; whether there is more."""
        self._launch, self._port = launch, port
        self.argv = launch.argv
        self.ended: asyncio.Future[Ending] = asyncio.get_running_loop().create_future()
        self._private = PrivatePlace()
        watchdog_s = float(os.environ.get(WATCHDOG_VARIABLE, WATCHDOG_S))
        terms = Terms(launch.seed, compute_us)
        self._broker = Broker(clock, self._private.path / "clock", [port], terms, watchdog_s)
        self._broker.on_gone = lambda: _settle(self.ended, Ending("exited"))
        self.left = ""
        self._broker.meanwhile = meanwhile
        self._broker.on_left = self._on_left
        self._broker.on_stuck = lambda reason: _settle(self.ended, Ending("stuck", reason))
        port.on_news = self._broker.notice
        clock.gate = self._broker
        self._process: ScriptProcess | None = None
        self._beside: list[ScriptProcess] = []

    def spawn(self) -> None:
        """Starts the interpreters; each waits for time before the user's first line."""
        launch = self._launch
        held = {
            **environment(launch),
            SOCKET_VARIABLE: str(self._broker.path),
            "PYTHONPATH": search_path(),
            "PYTHONHASHSEED": str(launch.seed % (1 << 32)),
            "OPENBLAS_NUM_THREADS": "1",
            "OMP_NUM_THREADS": "1",
            "MKL_NUM_THREADS": "1",
        }
        seen = (self._private.path, SHIM_FOLDER)
        self._beside = [_start(launch, argv, held, seen) for argv in launch.beside]
        self._process = _start(launch, launch.argv, held, seen)

    def admit(self) -> None:
        """Time stands still from now until the script waits for the first time; what runs beside goes first."""
        assert self._process is not None
        for beside in self._beside:
            self._broker.expect(beside.pid, is_root=False)
        self._broker.expect(self._process.pid)

    def interrupt(self) -> None:
        """Its next grant raises KeyboardInterrupt, or runs its handler of SIGINT."""
        self._broker.interrupt()

    def close(self, *, gently: bool) -> int | None:
        """Ends it."""
        code = None
        if self._process is not None:
            exited = self.ended.done() and self.ended.result().how == "exited"
            if exited:
                self._process.wait_ended(ENDING_S)  # its connection ended: the process is about to
            code = self._process.end(gently=False)
            if not exited:
                self._port.collect_rest()
        for beside in self._beside:
            beside.end(gently=False)
        self._broker.close()
        self._private.close()
        return code

    def usage_us(self) -> tuple[int, int] | None:
        """As the script's own process counted it."""
        return self._broker.usage.total_us, self._broker.usage.longest_us

    def _on_left(self, reason: str) -> None:
        self.left = self.left or reason
        _settle(self.ended, Ending("left", reason))


def _start(
    launch: Launch, argv: tuple[str, ...], environment: dict[str, str], beside: tuple[Path, ...] = ()
) -> ScriptProcess:
    """`beside` is what it needs to see, beyond its own folder."""
    command = list(argv)
    if launch.sandbox:
        command = walled(command, launch.folder, environment, beside)
    return ScriptProcess(command, launch.folder, environment, launch.output)


def _settle(ended: asyncio.Future[Ending], ending: Ending) -> None:
    if not ended.done():
        ended.set_result(ending)

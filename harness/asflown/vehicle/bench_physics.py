"""The process that simulates physics and sensors for a flight controller on a bench, 250 times a second in wall time.

Started by `BenchPhysics` as `python -m asflown.vehicle.bench_physics`, with its order on standard input. One line on
standard output when it has the link, one with its beats at the end. It ends when it is told to (SIGTERM). When the
conductor has gone it goes on until the motors stand, since the keeper brings the craft down, and two minutes at most.
"""

from __future__ import annotations

import gc
import json
import os
import select
import signal
import subprocess
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from queue import SimpleQueue
from struct import Struct
from threading import Thread
from typing import Any

from pydantic import BaseModel, ConfigDict
from pymavlink.dialects.v20 import common as mav

from asflown.clock.metronome import Beats, Metronome
from asflown.errors import AsflownError, LinkProblem
from asflown.link import wire
from asflown.link.base import Endpoint
from asflown.link.endpoint import make_endpoint
from asflown.record import truth
from asflown.scenario.model import Conditions, Start
from asflown.sim.hil_plant import PERIOD_US, HilPlant
from asflown.url import parse

READY_WAIT_S, END_WAIT_S = 30.0, 5.0
ORPHAN_BEATS, ORPHAN_LOOK_BEATS = 30_000, 25
"""Two minutes; and how often it is looked whether the conductor lives."""
STILL_BEATS = 1_250
"""Five seconds, in which the controller can still say that it has disarmed."""
TRUTH_BEATS, WARM_UP_BEATS = 25, 250
_CONTROLS = int(mav.MAVLINK_MSG_ID_HIL_ACTUATOR_CONTROLS)
_TIME = Struct("<d")


class PhysicsOrder(BaseModel):
    """What is simulated, and for whom."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    link: str
    """To the flight controller's USB port."""
    airframe: str
    start: Start
    conditions: Conditions
    seed: int
    truth: Path | None
    """A new file for the truth."""
    epoch_us: int
    """Where the flight's time 0 lies, Unix microseconds."""


class Physics:
    """One run."""

    def __init__(self, order: PhysicsOrder) -> None:
        """Opens the link. Raises LinkProblem, UsageError, VehicleProblem."""
        self._clock = Metronome(PERIOD_US)
        _warm_up(order)
        self._plant = HilPlant(order.airframe, order.start, order.conditions, order.seed)
        self._endpoint: Endpoint = make_endpoint(parse(order.link), self._clock, name="sensors")
        self._endpoint.on_frame = self._take
        self._mavlink = mav.MAVLink(None)
        self._parent = os.getppid()
        self._stop = False
        self._turns = False
        self._truth = None if order.truth is None else _TruthFile(order.truth)
        self._shift_s = (self._clock.epoch_us - order.epoch_us) / 1e6
        """What is added to the time of the physics to have the flight's."""
        self._endpoint.open()

    def stop(self, *_: object) -> None:
        """Ends it with the next beat."""
        self._stop = True

    def run(self) -> Beats:
        """Until it is stopped."""
        self._clock.go_first()
        orphaned = still = 0
        self._shift_s += self._clock.now_us() / 1e6
        for beat in self._clock.beats():
            for frame in self._plant.advance():
                self._endpoint.send(frame)
            if beat % TRUTH_BEATS == 0:
                self._keep_truth()
            still = 0 if self._turns else still + 1
            if beat % ORPHAN_LOOK_BEATS == 0 and os.getppid() != self._parent:
                orphaned += ORPHAN_LOOK_BEATS
            if self._stop or (orphaned and (still > STILL_BEATS or orphaned > ORPHAN_BEATS)):
                break
        return self._clock.report()

    def close(self) -> None:
        """Closes link and file."""
        self._endpoint.close()
        self._keep_truth()
        if self._truth is not None:
            self._truth.close()

    def counters(self) -> dict[str, int]:
        """Of its link."""
        return self._endpoint.counters()

    def _take(self, frame: bytes) -> None:
        if wire.message_id(frame) == _CONTROLS:
            message: Any = self._mavlink.decode(bytearray(frame))
            self._plant.take_controls(message)
            self._turns = any(message.controls)

    def _keep_truth(self) -> None:
        rows = self._plant.drain_truth()
        if self._truth is None:
            return
        shifted = bytearray(rows)
        for place in range(0, len(rows), truth.ROW_BYTES):
            (time_s,) = _TIME.unpack_from(rows, place)
            _TIME.pack_into(shifted, place, time_s + self._shift_s)
        self._truth.take(bytes(shifted))


class _TruthFile:
    """Written by a thread of its own: a busy disk must not cost beats."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("xb", buffering=0)
        self._file.write(truth.header(0))
        self._rows = 0
        self._waiting: SimpleQueue[bytes] = SimpleQueue()
        self._writer = Thread(target=self._write, name="truth")
        self._writer.start()

    def take(self, rows: bytes) -> None:
        """Whole rows."""
        if rows:
            self._waiting.put(rows)

    def close(self) -> None:
        """Puts the number of rows in, once all are written."""
        self._waiting.put(b"")
        self._writer.join()
        os.pwrite(self._file.fileno(), truth.header(self._rows), 0)
        os.fsync(self._file.fileno())
        self._file.close()

    def _write(self) -> None:
        while rows := self._waiting.get():
            with suppress(OSError):  # a full disk: what is there stays, and the flight goes on
                self._file.write(rows)
                self._rows += len(rows) // truth.ROW_BYTES


def _warm_up(order: PhysicsOrder) -> None:
    """What a computer does slowly the first time it does here, and not in the first beats."""
    plant = HilPlant(order.airframe, order.start, order.conditions, order.seed)
    for _ in range(WARM_UP_BEATS):
        plant.advance()


class BenchPhysics:
    """The conductor's side: starts the process, ends it, and has its report."""

    def __init__(self, order: PhysicsOrder) -> None:
        """Raises LinkProblem when the link cannot be had."""
        self._process = subprocess.Popen(
            [sys.executable, "-m", "asflown.vehicle.bench_physics"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        assert self._process.stdin is not None
        self._process.stdin.write(order.model_dump_json().encode())
        self._process.stdin.close()
        said = self._said(READY_WAIT_S)
        self.report: dict[str, Any] = {}
        """How it went, once it has ended."""
        if said.get("is") != "ready":
            self._process.kill()
            self._process.wait()
            problem = str(said.get("problem", "the physics did not start"))
            raise LinkProblem(problem, str(said.get("remedy", "See what it wrote on standard error")))

    @property
    def lives(self) -> bool:
        """Whether it still runs."""
        return self._process.poll() is None

    def stop(self) -> None:
        """Ends it and takes its report. Harmless when called twice."""
        if self._process.stdout is None or self._process.stdout.closed:
            return
        if self.lives:
            self._process.terminate()
        self.report = self._said(END_WAIT_S)
        self._process.stdout.close()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(END_WAIT_S)
        self._process.kill()
        self._process.wait()

    def _said(self, seconds: float) -> dict[str, Any]:
        out = self._process.stdout
        assert out is not None
        line = out.readline() if select.select([out], [], [], seconds)[0] else b""
        try:
            said: dict[str, Any] = json.loads(line)
        except ValueError:
            return {}
        return said


def main() -> int:
    """Simulates what standard input orders; the exit code."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        physics = Physics(PhysicsOrder.model_validate_json(sys.stdin.read()))
    except (AsflownError, OSError) as error:
        problem, remedy = getattr(error, "problem", str(error)), getattr(error, "remedy", "")
        _say({"is": "failed", "problem": problem, "remedy": remedy})
        return 3
    signal.signal(signal.SIGTERM, physics.stop)
    gc.freeze()
    gc.disable()  # a collection would cost beats; what is made here has no cycles
    _say({"is": "ready"})
    try:
        beats = physics.run()
    finally:
        physics.close()
    _say({"is": "ended", **asdict(beats), "link": physics.counters()})
    return 0


def _say(said: dict[str, Any]) -> None:
    with suppress(OSError):  # nobody listens any more
        sys.stdout.write(json.dumps(said) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())

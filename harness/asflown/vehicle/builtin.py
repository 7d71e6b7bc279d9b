"""The built-in vehicle: the simulated craft on a clock, ticked every 10 ms of flight time from power-up on.

Tick n happens at power-up + n * 10 ms, whatever the clock does in between: a paced clock that is late catches up.
"""

from __future__ import annotations

import struct
from collections import deque
from pathlib import Path
from typing import NamedTuple

from asflown.clock.base import Clock, Timer
from asflown.errors import VehicleProblem
from asflown.link.base import Endpoint
from asflown.record.manifest import VehicleRecord
from asflown.record.truth import TRUTH_COLUMNS
from asflown.scenario.model import Conditions, Start, VehicleFile
from asflown.scenario.parameter_file import read_parameters
from asflown.sim.craft import OWN_DEFAULTS, Craft
from asflown.sim.interface import TICK_US, CraftSetup
from asflown.sim.parameters import spec_by_name
from asflown.sim.releases import GAINS
from asflown.vehicle.base import nothing_heard
from asflown.vehicle.in_process import InProcessEndpoint, LinkLoss

_ROW = struct.Struct(f"<{len(TRUTH_COLUMNS)}d")


RETURN_HEIGHT = "return.height"


def return_height_m(file: VehicleFile) -> float | None:
    """How high the vehicle comes home at least, above home, as long as nobody changes the parameter in flight.

    Raises UsageError or FileProblem for a file of parameters that cannot be read.
    """
    given = _started_with(file).get(RETURN_HEIGHT)
    if given is not None:
        return given
    spec = spec_by_name(RETURN_HEIGHT)
    default = None if spec is None else spec.default
    return OWN_DEFAULTS.get(file.airframe or "", {}).get(RETURN_HEIGHT, default)


class _Lived(NamedTuple):
    """What one tick gave."""

    truth: bytes
    state: bytes
    frames: list[bytes]


def _started_with(file: VehicleFile) -> dict[str, float]:
    start = file.parameters.start
    return {} if start is None else read_parameters(Path(start))


class BuiltIn:
    """Fulfils `Vehicle` for the kind built-in."""

    lockstep = True
    heartbeat_within_s = 30.0

    def __init__(
        self, clock: Clock, file: VehicleFile, start: Start, conditions: Conditions, seed: int
    ) -> None:
        """Raises VehicleProblem when the file names no airframe, or an airframe or release that does not exist.

        So it does for a parameter that the craft does not have; FileProblem for a file of them that is wrong.
        """
        if file.airframe is None:
            raise VehicleProblem(f"vehicle {file.name}: no airframe", "Add `airframe: palm80` to its file")
        self._clock = clock
        self._file = file
        self._boot_us = clock.now_us()
        values = _started_with(file)
        gains = {name: value for name, value in values.items() if name in GAINS}
        craft = file.craft.times(conditions.craft)
        conditions = conditions.model_copy(update={"craft": craft})
        setup = CraftSetup(file.airframe, file.release, start, conditions, seed, gains)
        self._craft = Craft(setup, file.identity, system=file.system, epoch_us=clock.epoch_us)
        self._craft.retune({name: value for name, value in values.items() if name not in GAINS})
        self._loss = LinkLoss(conditions.faults)
        self._boot_us = clock.now_us()
        self._door = InProcessEndpoint(self._craft.receive, self._link_is_down)
        self.endpoint: Endpoint = self._door
        self._rows: list[bytes] = []
        self._states: list[bytes] = []
        self._ahead: deque[_Lived] = deque()
        self._ticks = 0
        self._timer: Timer | None = None

    def record(self) -> VehicleRecord:
        """What the manifest says of it; the hash is of the parameters as they are now."""
        file = self._file
        return VehicleRecord(
            name=file.name,
            kind=file.kind,
            airframe=file.airframe,
            release=file.release,
            parameters_sha256=self._craft.parameters_sha256(),
            parameters=self._craft.parameters(),
            identity=file.identity.model_dump(mode="json", exclude_unset=True),
            facts={"craft": own} if (own := file.craft.model_dump(exclude_defaults=True)) else {},
        )

    def start(self) -> None:
        """Powers up."""
        if self._timer is None:
            self._boot_us = self._clock.now_us()
            self._craft.power_up(self._boot_us)
            self._plan()

    def check(self) -> bool:
        """It always is ready."""
        return True

    def unheard(self) -> VehicleProblem:
        """What to say when no heartbeat came."""
        return nothing_heard(self.heartbeat_within_s)

    def drain_truth(self) -> bytes:
        """Rows since the last call; their time is flight time."""
        rows, self._rows = self._rows, []
        return b"".join(rows)

    def drain_state(self) -> bytes:
        """The unquantised plant state at each step since the last call."""
        states, self._states = self._states, []
        return b"".join(states)

    def work_ahead(self, quiet_until_us: int) -> bool:
        """Lives the next tick before its time, as long as no frame can count in it; else computes its physics."""
        if self._timer is None:
            return False
        when_us = self._boot_us + (self._ticks + len(self._ahead)) * TICK_US
        if when_us < quiet_until_us:
            self._ahead.append(self._live(when_us))
            return True
        self._craft.fly_on()
        return False

    def stop(self) -> None:
        """Powers down."""
        if self._timer is not None:
            self._timer.cancel()
        self.endpoint.close()

    def _plan(self) -> None:
        self._ticks += 1
        self._timer = self._clock.call_at(self._boot_us + self._ticks * TICK_US, self._tick)

    def _tick(self) -> None:
        now_us = self._boot_us + self._ticks * TICK_US
        self._plan()
        lived = self._ahead.popleft() if self._ahead else self._live(now_us)
        self._rows.append(lived.truth)
        self._states.append(lived.state)
        if lived.frames:
            self._door.emit(lived.frames)

    def _live(self, until_us: int) -> _Lived:
        craft = self._craft
        craft.tick(until_us)
        truth = _ROW.pack(until_us / 1e6, *craft.truth_row()[1:])
        return _Lived(truth, craft.drain_state(), craft.take_frames())

    def _link_is_down(self) -> bool:
        return self._loss.is_down(self._clock.now_us() - self._boot_us)

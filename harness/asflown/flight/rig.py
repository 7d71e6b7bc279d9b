"""Everything that one attempt needs besides time: vehicle, hub, script, guard, wired together and closed together.

Whatever was opened when the assembly fails is closed again; closing one thing does not depend on another.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from typing import Any

from asflown.clock.paced import PacedClock
from asflown.clock.virtual import VirtualClock
from asflown.flight.guard import Guard, NoteSafety
from asflown.flight.guard_terms import terms_for
from asflown.flight.launching import Attempted, launch_for
from asflown.flight.script import HeldRunner, PacedRunner, ScriptRunner
from asflown.flight.watch import VehicleWatch
from asflown.flight.wiring import ScriptPort, wire_held, wire_paced
from asflown.link.chance import drawn_from
from asflown.link.hub import FrameRecorder, Hub
from asflown.link.knock import Knock
from asflown.link.profile import load_profile
from asflown.link.radio import Radio
from asflown.vehicle.registry import open_vehicle

SIMULATED = frozenset({"built-in", "container"})
"""Kinds that an emulated radio stands in front of."""


class Rig:
    """The parts of one attempt."""

    def __init__(
        self,
        attempted: Attempted,
        clock: VirtualClock | PacedClock,
        recorder: FrameRecorder,
        note_safety: NoteSafety,
    ) -> None:
        """Opens what stands on the ground; nothing is powered yet. Raises FlightError with nothing left open."""
        self._attempted, self._clock = attempted, clock
        plan = attempted.plan
        self.watch = VehicleWatch()
        with contextlib.ExitStack() as opened:
            self.vehicle = open_vehicle(
                clock, plan.vehicle, plan.loaded.scenario, plan.seed, attempted.folder
            )
            opened.callback(self.vehicle.stop)
            self.hub = Hub(clock, recorder, self.vehicle.endpoint, self._radio())
            opened.callback(self.hub.close)
            self.port, self.runner = self._make_runner()
            opened.callback(self.runner.close, gently=False)
            terms = terms_for(plan.loaded.scenario.guard, plan.vehicle)
            self.guard = Guard(terms, clock, self.hub, self.watch, note_safety, recorder.event)
            self.guard.start()
            self.hub.start()
            opened.pop_all()

    def power_up(self) -> None:
        """Starts the script's interpreter, which waits for its time, and the vehicle. Raises FlightError."""
        self.runner.spawn()
        self.vehicle.start()
        if not self.vehicle.lockstep:
            Knock(self._clock, self.hub).start()

    preflight: Mapping[str, Any] = {}
    """There is none for a simulated vehicle."""

    async def prepare(self) -> None:
        """A simulated vehicle needs no more than it got."""

    async def give_back(self) -> None:
        """Nothing was borrowed."""

    def _work_ahead(self) -> bool:
        return self.vehicle.work_ahead(self.hub.quiet_up_until_us())

    def _make_runner(self) -> tuple[ScriptPort, ScriptRunner]:
        script, clock = self._attempted.plan.loaded.scenario.script, self._clock
        if isinstance(clock, VirtualClock):
            port, held = wire_held(script, self._attempted.folder)
            self.hub.attach(held, "script")
            compute_us, launch = round(script.compute_s * 1e6), launch_for(self._attempted, port)
            return port, HeldRunner(clock, launch, held, compute_us, self._work_ahead)
        port, endpoint = wire_paced(script, self._attempted.folder, clock)
        self.hub.attach(endpoint, "script")
        return port, PacedRunner(clock, launch_for(self._attempted, port))

    def _radio(self) -> Radio | None:
        """An emulated radio in front of a simulated vehicle; a real one has its own."""
        plan = self._attempted.plan
        if plan.vehicle.kind not in SIMULATED:
            return None
        profile = load_profile(plan.vehicle.radio or plan.loaded.scenario.conditions.radio)
        chance = plan.loaded.scenario.conditions.chance
        up, down = (drawn_from(f"radio {lane}", plan.seed, chance, self._clock) for lane in ("up", "down"))
        radio = Radio(profile, self._clock, up=up, down=down)
        if not self.vehicle.lockstep:  # a built-in vehicle cuts its own link
            for fault in plan.loaded.scenario.conditions.faults:
                if fault.inject == "link-loss":
                    end_s = None if fault.for_s is None else fault.at_s + fault.for_s
                    radio.shadow(round(fault.at_s * 1e6), None if end_s is None else round(end_s * 1e6))
        return radio

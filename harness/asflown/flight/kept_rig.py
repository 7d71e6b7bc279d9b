"""The parts of one attempt with a real vehicle: its port, hub, captures and guard are the keeper's.

Fulfils what `rig.Rig` does for simulated ones, so the sequence of events of a flight is the same.
"""

from __future__ import annotations

import contextlib
from functools import partial
from pathlib import Path
from typing import Any

from asflown.clock.aside import aside
from asflown.clock.paced import PacedClock
from asflown.flight.guard import NoteSafety
from asflown.flight.guard_terms import terms_for
from asflown.flight.kept_link import KeptLink
from asflown.flight.kept_recorder import KeptRecorder
from asflown.flight.launching import Attempted, launch_for
from asflown.flight.preflight import Looking, LossWatch
from asflown.flight.script import PacedRunner, ScriptRunner
from asflown.flight.watch import VehicleWatch
from asflown.flight.wiring import ScriptPort, choose_paced
from asflown.scenario.model import VehicleFile
from asflown.url import Url, parse
from asflown.vehicle.airframe import Airframe
from asflown.vehicle.baud import with_baud
from asflown.vehicle.bench import Bench, possible_faults
from asflown.vehicle.conversation import Conversation
from asflown.vehicle.keeper_order import KeeperOrder
from asflown.vehicle.registry import check_faults
from asflown.vehicle.rig_lock import lock_path


class GuardElsewhere:
    """The guard in the keeper, as far as the conductor has to do with it."""

    def __init__(self, link: KeptLink) -> None:
        self._link = link

    @property
    def takeover(self) -> KeptLink:
        """Whether a pilot has `taken` over."""
        return self._link

    def script_started(self) -> None:
        """The script flies from now on."""
        self._link.script("started")

    def script_ended(self) -> None:
        """From now on silence is no surprise."""
        self._link.script("ended")

    def script_left(self, says: str) -> None:
        """The script has left the vehicle in the air."""
        self._link.script("left", says)


class KeptRig:
    """The parts of one attempt."""

    def __init__(
        self, attempted: Attempted, clock: PacedClock, recorder: KeptRecorder, note_safety: NoteSafety
    ) -> None:
        """Starts the keeper, which takes the vehicle's port. Raises FlightError with nothing left open."""
        plan, self._attempted = attempted.plan, attempted
        file = plan.vehicle
        assert file.link is not None
        self._clock, self._losses = clock, LossWatch()
        self.preflight: dict[str, Any] = {}
        """For the manifest."""
        self.watch = VehicleWatch()
        check_faults(file, plan.loaded.scenario, possible_faults(file))
        url = with_baud(parse(file.link))

        def order(control: Path) -> KeeperOrder:
            return KeeperOrder(
                vehicle=str(url),
                captures=attempted.folder,
                in_flight_folder=True,
                epoch_us=clock.epoch_us,
                control=control,
                lock=lock_path(file) if file.kind == "bench" else None,
                radio=file.radio,
                guard_terms=terms_for(plan.loaded.scenario.guard, file).model_dump(mode="json"),
            )

        with contextlib.ExitStack() as opened:
            self.hub = recorder.link = KeptLink(clock, order, file.system)
            opened.callback(self.hub.close)
            self.hub.on_vehicle_frame.append(self.watch.frame)
            self.hub.on_safety = lambda what, cause: note_safety(clock.now_us(), what, cause)
            self.conversation = Conversation(clock, self.hub.say, file.system, file.component)
            self.hub.on_vehicle_frame.append(self.conversation.frame)
            self.hub.on_vehicle_frame.append(self._losses.frame)
            self.vehicle = self._make_vehicle(file, url)
            self.guard = GuardElsewhere(self.hub)
            self.port: ScriptPort = choose_paced(plan.loaded.scenario.script, attempted.folder)
            self.hub.attach(self.port.paced_url(), "script", "script")
            self.runner: ScriptRunner = PacedRunner(clock, launch_for(attempted, self.port))
            opened.pop_all()

    def power_up(self) -> None:
        """Starts what runs beside the script, and a bench's physics. Raises FlightError."""
        self.runner.spawn()
        if isinstance(self.vehicle, Bench):
            plan, attempted = self._attempted.plan, self._attempted
            self.vehicle.begin_physics(
                plan.loaded.scenario, plan.seed, attempted.folder, self._clock.epoch_us
            )

    def _make_vehicle(self, file: VehicleFile, url: Url) -> Airframe:
        if file.kind == "bench":
            return Bench(
                file, url, self.conversation, lambda: self.hub.problem, lambda: self.watch.seen.simulated
            )
        return Airframe(file, url, self.conversation, lambda: self.hub.problem)

    async def prepare(self) -> None:
        """Preflight where it is asked for, who the vehicle is, messages asked for. Raises VehicleProblem."""
        await self._look()
        await self.vehicle.identify()
        await self.vehicle.read_parameters()
        await self.vehicle.ask_for_messages()
        if isinstance(self.vehicle, Bench):
            await aside(self._clock, self.vehicle.allow_arming)
            if self.vehicle.may_arm:
                self.hub.script("may-arm")
        plan = self._attempted.plan
        if plan.operator is not None:
            await aside(self._clock, partial(plan.operator.last_word, plan.vehicle))

    async def _look(self) -> None:
        plan = self._attempted.plan
        if plan.rehearsal is None:
            return
        looking = Looking(self._clock, self.conversation, self._losses, plan.vehicle, plan.loaded.scenario)
        found = await looking.all(plan.rehearsal)
        self.preflight = found.as_json()
        if found.passed:
            return
        reason = "" if plan.override is None else await aside(self._clock, partial(plan.override, found))
        if not reason:
            raise found.problem()
        self.preflight["override"] = reason

    async def give_back(self) -> None:
        """Leaves the vehicle as it was found."""
        if not self.hub.is_over:
            await self.vehicle.give_back()

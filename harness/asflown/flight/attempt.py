"""One attempt at a flight on one clock: the sequence of events, and cleaning up after any of them.

Invariant: whatever happens, the script and all it started are ended, sockets and captures are closed, and the
manifest says how it ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from pathlib import Path

from asflown.clock.paced import PacedClock
from asflown.clock.virtual import VirtualClock
from asflown.errors import FlightError, HarnessFault, ScriptProblem
from asflown.flight import endings
from asflown.flight.along import FlightFollower
from asflown.flight.interpreter import Command
from asflown.flight.kept_recorder import KeptRecorder
from asflown.flight.kept_rig import KeptRig
from asflown.flight.launching import Attempted
from asflown.flight.logbook import Logbook
from asflown.flight.plan import FlightPlan, Progress, ProgressCallback, unwatched
from asflown.flight.rig import Rig
from asflown.flight.script import Ending, ScriptRunner
from asflown.record import folder as folders
from asflown.record.capture import Recorder
from asflown.record.manifest import Manifest
from asflown.vehicle.base import fell_silent

READY_TIMEOUT_US = 20_000_000
LOST_AFTER_US = 15_000_000
"""No heartbeat for so long, and the vehicle counts as lost."""
COLLECT_INTERVAL_US = 100_000
LOOK_INTERVAL_US = 50_000
CHECK_INTERVAL_US = 500_000
"""How often a running script's output and vehicle are looked at; its end and its time limit are noticed at once."""
PROGRESS_EVERY = 5
INTERRUPT_GRACE_US = 10_000_000
"""Flight time that a script gets to clean up when its time limit interrupts it."""
SETTLE_US = 1_000_000
"""How long is still recorded after the vehicle stands."""
LANDING_PATIENCE_US = 20_000_000
SET_DOWN_TIMEOUT_US = 90_000_000
PILOT_PATIENCE_US = 900_000_000
"""How long is recorded while a pilot who took over flies on."""
KEPT = frozenset({"bench", "airframe"})
"""Kinds whose port a keeper has."""
LOST_ON_THE_RADIO = frozenset({"radio.up.frames_lost", "radio.down.frames_lost"})
AnyRig = Rig | KeptRig


class CannotHold(Exception):
    """The script made a call that cannot be held: the conductor's business alone, never shown."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class Attempt:
    """One attempt."""

    def __init__(
        self,
        plan: FlightPlan,
        folder: Path,
        manifest: Manifest,
        commands: tuple[Command, ...],
        *,
        clock: VirtualClock | PacedClock,
        progress: ProgressCallback,
    ) -> None:
        self._plan, self._folder, self._commands = plan, folder, commands
        self._clock, self._progress = clock, progress
        self._knows_truth = plan.vehicle.kind == "built-in"
        self._is_kept = plan.vehicle.kind in KEPT
        self._recorder: Recorder | KeptRecorder = (
            KeptRecorder()
            if self._is_kept
            else Recorder(folder, clock.epoch_us, traffic_only=not self._knows_truth)
        )
        self._logbook = Logbook(manifest, folder, self._recorder)
        self._rig: AnyRig | None = None
        self._looks = 0
        self._follower: FlightFollower | None = None
        self._failure: FlightError | None = None
        self._stopped = False

    def run(self) -> Manifest:
        """Flies. Raises CannotHold, or StoppedBySignal after cleaning up; other failures are in the manifest."""
        self._logbook.open(self._clock.kind, self._clock.epoch_us)
        self._clock.run(self._fly())
        return self._logbook.manifest

    async def _fly(self) -> None:
        output = os.open(self._folder / folders.SCRIPT_LOG, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
        try:
            rig = self._power_up(output)
            await self._until_ready(rig)
            await self._run_script(rig)
            await self._until_down(rig)
            await rig.give_back()
        except FlightError as error:
            self._failure = self._failure or error
            if self._rig is not None:
                await self._rig.give_back()
        except asyncio.CancelledError:
            failure = self._clock.failure
            if not isinstance(failure, FlightError):
                self._stopped = True
                raise
            self._failure = failure
        finally:
            os.close(output)
            self._close()
        if self._rig is not None and self._rig.runner.left:
            raise CannotHold(self._rig.runner.left)

    # In order

    def _power_up(self, output: int) -> AnyRig:
        attempted = Attempted(self._plan, self._commands, self._folder, output)
        self._rig = rig = self._make_rig(attempted)
        rig.hub.on_script_frame.append(self._on_script_frame)
        self._logbook.spawned(rig, rig.runner.argv)
        rig.power_up()
        self._clock.call_at(self._clock.now_us(), self._collect)
        return rig

    def _make_rig(self, attempted: Attempted) -> AnyRig:
        recorder, clock = self._recorder, self._clock
        if isinstance(recorder, KeptRecorder):
            if not isinstance(clock, PacedClock):
                raise HarnessFault("a real vehicle on a virtual clock")
            return KeptRig(attempted, clock, recorder, self._logbook.safety)
        return Rig(attempted, clock, recorder, self._logbook.safety)

    async def _until_ready(self, rig: AnyRig) -> None:
        """Waits for a heartbeat, then for the vehicle's own checks if it reports them."""
        clock, seen = self._clock, rig.watch.seen
        until_us = clock.now_us() + round(rig.vehicle.heartbeat_within_s * 1e6)
        while not rig.vehicle.check() or seen.heartbeat_us is None:
            if clock.now_us() > until_us:
                raise rig.vehicle.unheard()
            await clock.sleep_until(clock.now_us() + LOOK_INTERVAL_US)
        patience_us = seen.heartbeat_us + READY_TIMEOUT_US
        while not seen.ready and clock.now_us() < patience_us:
            await clock.sleep_until(clock.now_us() + LOOK_INTERVAL_US)
        self._logbook.event(clock.now_us(), "vehicle-ready", checks=seen.ready)
        try:
            await rig.prepare()
        finally:
            self._logbook.prepared(rig)

    async def _run_script(self, rig: AnyRig) -> None:
        """Lets the script run to its end, or interrupts it at its time limit and then ends it."""
        clock, runner = self._clock, rig.runner
        self._logbook.script_started(clock.now_us())
        rig.guard.script_started()
        runner.admit()
        limit_us = clock.now_us() + round(self._plan.loaded.scenario.script.time_limit_s * 1e6)
        interrupted = False
        while not runner.ended.done():
            if clock.now_us() >= limit_us and interrupted:
                self._stop_script(rig, "time-limit", "time-limit")
                return
            if clock.now_us() >= limit_us:
                interrupted, limit_us = True, limit_us + INTERRUPT_GRACE_US
                self._logbook.event(clock.now_us(), "script-interrupted")
                runner.interrupt()
            if self._logbook.too_much_output():
                self._stop_script(rig, "killed", "output-flood")
                return
            self._check_vehicle(rig)
            await self._sleep_or_end(min(limit_us, clock.now_us() + CHECK_INTERVAL_US), runner)
        self._take_ending(rig, runner.ended.result(), interrupted=interrupted)

    def _take_ending(self, rig: AnyRig, ending: Ending, *, interrupted: bool) -> None:
        if ending.how == "stuck":
            self._failure = ScriptProblem(*endings.stuck(ending.reason))
        ended: endings.Ended = (
            "stuck" if ending.how != "exited" else "time-limit" if interrupted else "exited"
        )
        self._script_over(rig, ended, ended)

    async def _sleep_or_end(self, until_us: int, runner: ScriptRunner) -> None:
        """Sleeps until `until_us`, or until the script ends."""
        woken = asyncio.get_running_loop().create_future()

        def wake(_: object = None) -> None:
            if not woken.done():
                woken.set_result(None)

        timer = self._clock.call_at(until_us, wake)
        runner.ended.add_done_callback(wake)
        try:
            await woken
        finally:
            timer.cancel()
            runner.ended.remove_done_callback(wake)

    async def _until_down(self, rig: AnyRig) -> None:
        """Waits until the vehicle stands with its motors off; asks for a landing when nothing else brings it down."""
        clock, watch = self._clock, rig.watch
        exited = self._logbook.manifest.script.ended == "exited"
        patience_us = clock.now_us() + (LANDING_PATIENCE_US if exited else 0)
        deadline_us = patience_us + SET_DOWN_TIMEOUT_US
        pilot_us = clock.now_us() + PILOT_PATIENCE_US
        asked = False
        while not watch.on_ground and clock.now_us() < deadline_us:
            self._check_vehicle(rig)
            if rig.guard.takeover.taken:  # who has the sticks lands when it suits them
                deadline_us = max(deadline_us, pilot_us)
            elif not asked and clock.now_us() >= patience_us:
                asked = True
                rig.guard.script_left("the script ended and left the vehicle in the air")
            await clock.sleep_until(clock.now_us() + LOOK_INTERVAL_US)
        await clock.sleep_until(clock.now_us() + SETTLE_US)

    # What happens on the way

    def _on_script_frame(self, _now_us: int, _frame: bytes) -> None:
        self._logbook.manifest.script.frames_sent += 1

    def _stop_script(self, rig: AnyRig, ended: endings.Ended, event: str) -> None:
        self._logbook.manifest.script.exit_code = rig.runner.close(gently=True)
        self._script_over(rig, ended, event)

    def _script_over(self, rig: AnyRig, ended: endings.Ended, event: str) -> None:
        self._logbook.script_over(self._clock.now_us(), ended, event)
        rig.guard.script_ended()

    def _check_vehicle(self, rig: AnyRig) -> None:
        rig.vehicle.check()
        heard_us = rig.watch.seen.heartbeat_us or 0
        if self._clock.now_us() - heard_us > LOST_AFTER_US:
            vehicle = self._plan.vehicle
            raise fell_silent(heard_us, vehicle.link, vehicle.physics_link)

    def _collect(self) -> None:
        """Ten times a second: truth and state to the recorder, progress to whoever watches."""
        assert self._rig is not None
        now_us = self._clock.now_us()
        self._clock.call_at(now_us + COLLECT_INTERVAL_US, self._collect)
        self._take_truth(self._rig)
        self._looks += 1
        if self._looks % PROGRESS_EVERY == 0:
            self._show("flying" if self._logbook.manifest.script.started_us else "preparing")

    def _take_truth(self, rig: AnyRig) -> None:
        if not self._knows_truth:
            return
        self._recorder.truth(rig.vehicle.drain_truth())
        self._recorder.state(rig.vehicle.drain_state())

    def _show(self, phase: endings.Phase) -> None:
        assert self._rig is not None
        if self._progress is unwatched:
            return
        if self._follower is None:
            self._follower = FlightFollower(self._plan.loaded.scenario)
        watch, seen, now_us = self._rig.watch, self._rig.watch.seen, self._clock.now_us()
        along = self._follower.see(seen.start_ned_m, seen.north_m, seen.east_m, seen.down_m)
        counted = self._rig.hub.counters()
        lost = [count for name, count in counted.items() if name in LOST_ON_THE_RADIO]
        silent_s = None if seen.position_us is None else (now_us - seen.position_us) / 1e6
        height_m, distance_m = watch.height_m, watch.distance_m
        self._progress(
            Progress(phase, now_us / 1e6, height_m, distance_m, along, sum(lost) if lost else None, silent_s)
        )

    # Closing

    def _close(self) -> None:
        """Ends and closes everything, and writes down how it went; one failure does not keep the rest open."""
        now_us, rig = self._clock.now_us(), self._rig
        with contextlib.ExitStack() as stack:
            stack.callback(self._close_logbook, now_us)
            stack.callback(self._close_captures)
            if rig is not None:
                stack.callback(self._show, "ending")
                stack.callback(rig.vehicle.stop)
                if self._failure is None:  # else what could be written was
                    stack.callback(self._take_truth, rig)
                stack.callback(self._logbook.hub_closed, rig)
                stack.callback(rig.hub.close)
                stack.callback(self._end_script, rig, now_us)

    def _end_script(self, rig: AnyRig, now_us: int) -> None:
        self._logbook.script_closed(rig, now_us, rig.runner.close(gently=True))

    def _close_captures(self) -> None:
        try:
            self._recorder.close()
        except FlightError as error:
            self._failure = self._failure or error

    def _close_logbook(self, now_us: int) -> None:
        self._logbook.close(self._rig, now_us, self._failure, stopped=self._stopped)

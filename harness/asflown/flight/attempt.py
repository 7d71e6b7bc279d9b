"""One attempt at a flight on one clock: the sequence of events, and cleaning up after any of them.

Invariant: whatever happens, the script and all it started are ended, sockets and captures are closed, and the
manifest says how it ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from pathlib import Path
from random import Random

from asflown.clock.paced import PacedClock
from asflown.clock.virtual import VirtualClock
from asflown.clock.wall import Stopwatch
from asflown.errors import FlightError, ScriptProblem, VehicleProblem
from asflown.flight import endings
from asflown.flight.fingerprint import fingerprint
from asflown.flight.guard import Commander, Guard
from asflown.flight.interpreter import Command
from asflown.flight.plan import FlightPlan, Progress, ProgressCallback
from asflown.flight.script import Ending, HeldRunner, Launch, PacedRunner, ScriptRunner
from asflown.flight.watch import VehicleWatch
from asflown.flight.wiring import ScriptPort, wire_held, wire_paced
from asflown.link.hub import Hub
from asflown.link.profile import load_profile
from asflown.link.radio import Radio
from asflown.record import folder as folders
from asflown.record import manifest as manifests
from asflown.record.capture import Recorder
from asflown.record.manifest import Manifest, SafetyEvent
from asflown.vehicle.base import Vehicle
from asflown.vehicle.registry import open_vehicle

HEARTBEAT_TIMEOUT_US = 30_000_000
READY_TIMEOUT_US = 20_000_000
LOST_AFTER_US = 15_000_000
"""No heartbeat for so long, and the vehicle counts as lost."""
COLLECT_INTERVAL_US = 100_000
LOOK_INTERVAL_US = 50_000
PROGRESS_EVERY = 5
SCRIPT_LOG_BYTES_MAX = 64 << 20
INTERRUPT_GRACE_US = 10_000_000
"""Flight time that a script gets to clean up when its time limit interrupts it."""
SETTLE_US = 1_000_000
"""How long is still recorded after the vehicle stands."""
LANDING_PATIENCE_US = 20_000_000
SET_DOWN_TIMEOUT_US = 90_000_000


class CannotHold(Exception):
    """The script made a call that cannot be held: the conductor's business alone, never shown."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class Attempt:
    """Everything that belongs to one attempt."""

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
        self._plan, self._folder, self._manifest, self._commands = plan, folder, manifest, commands
        self._clock, self._progress = clock, progress
        self._scenario = plan.loaded.scenario
        self._recorder = Recorder(folder, clock.epoch_us)
        self._watch = VehicleWatch()
        self._vehicle: Vehicle | None = None
        self._hub: Hub | None = None
        self._runner: ScriptRunner | None = None
        self._guard: Guard | None = None
        self._commander: Commander | None = None
        self._port: ScriptPort | None = None
        self._since_spawn = Stopwatch()
        self._looks = 0
        self._failure: FlightError | None = None
        self._stopped = False

    def run(self) -> Manifest:
        """Flies. Raises CannotHold, or StoppedBySignal after cleaning up; other failures are in the manifest."""
        clock = self._manifest.clock
        clock.kind, clock.epoch_us = self._clock.kind, self._clock.epoch_us
        clock.fingerprint = fingerprint()
        manifests.write(self._manifest, self._folder)
        self._clock.run(self._fly())
        return self._manifest

    async def _fly(self) -> None:
        output = os.open(self._folder / folders.SCRIPT_LOG, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
        ending: Ending | None = None
        try:
            self._power_up(output)
            await self._until_ready()
            ending = await self._run_script()
            await self._until_down()
        except FlightError as error:
            self._failure = error
        except asyncio.CancelledError:
            failure = self._clock.failure
            if not isinstance(failure, FlightError):
                self._stopped = True
                raise
            self._failure = failure
        finally:
            os.close(output)
            self._close(ending)
        if self._runner is not None and self._runner.left:
            raise CannotHold(self._runner.left)

    # In order

    def _power_up(self, output: int) -> None:
        clock, plan = self._clock, self._plan
        self._vehicle = vehicle = open_vehicle(clock, plan.vehicle, self._scenario, plan.seed)
        self._manifest.vehicle = vehicle.record()
        self._hub = hub = Hub(clock, self._recorder, vehicle.endpoint, self._radio())
        self._commander = Commander(hub, self._watch)
        hub.on_vehicle_frame.append(self._watch.frame)
        hub.on_script_frame.append(self._on_script_frame)
        self._runner = runner = self._make_runner(hub, output)
        hub.start()
        self._guard = Guard(self._scenario.guard, clock, self._watch, self._commander, self._on_reaction)
        self._since_spawn = Stopwatch()
        runner.spawn()
        vehicle.start()
        clock.call_at(clock.now_us(), self._collect)

    def _make_runner(self, hub: Hub, output: int) -> ScriptRunner:
        script, clock = self._scenario.script, self._clock
        if isinstance(clock, VirtualClock):
            self._port, held = wire_held(script, self._folder)
            hub.attach(held, "script")
            return HeldRunner(clock, self._launch(self._port, output), held, round(script.compute_s * 1e6))
        self._port, endpoint = wire_paced(script, self._folder, clock)
        hub.attach(endpoint, "script")
        return PacedRunner(clock, self._launch(self._port, output))

    def _launch(self, port: ScriptPort, output: int) -> Launch:
        style = self._scenario.script.link.style
        argv, *beside = (port.fill(command.argv, style) for command in self._commands)
        self._manifest.script.command = list(argv)
        plan = self._plan
        return Launch(argv, tuple(beside), plan.loaded.folder, self._manifest.flight_id, output, plan.seed)

    def _radio(self) -> Radio | None:
        """An emulated radio in front of a simulated vehicle; a real one has its own."""
        if self._plan.vehicle.kind != "built-in":
            return None
        seed = self._plan.seed
        profile = load_profile(self._plan.vehicle.radio or self._scenario.conditions.radio)
        return Radio(profile, self._clock, up=Random(f"radio up {seed}"), down=Random(f"radio down {seed}"))

    async def _until_ready(self) -> None:
        """Waits for a heartbeat, then for the vehicle's own checks if it reports them."""
        clock, seen = self._clock, self._watch.seen
        while seen.heartbeat_us is None:
            if clock.now_us() > HEARTBEAT_TIMEOUT_US:
                raise VehicleProblem(
                    f"no heartbeat of an autopilot within {HEARTBEAT_TIMEOUT_US / 1e6:g} s",
                    "Check that the vehicle is powered and that the link in its file leads to it",
                )
            await clock.sleep_until(clock.now_us() + LOOK_INTERVAL_US)
        patience_us = seen.heartbeat_us + READY_TIMEOUT_US
        while not seen.ready and clock.now_us() < patience_us:
            await clock.sleep_until(clock.now_us() + LOOK_INTERVAL_US)
        self._recorder.event(clock.now_us(), "vehicle-ready", checks=seen.ready)

    async def _run_script(self) -> Ending | None:
        """Lets the script run to its end or its time limit; None when it was stopped by us."""
        assert self._runner is not None
        assert self._guard is not None
        clock, runner, script = self._clock, self._runner, self._manifest.script
        script.started_us = clock.now_us()
        self._recorder.event(script.started_us, "script-started")
        self._guard.script_heard(script.started_us)
        self._guard.start()
        runner.admit()
        limit_us = script.started_us + round(self._scenario.script.time_limit_s * 1e6)
        interrupted = False
        while not runner.ended.done():
            if clock.now_us() >= limit_us and interrupted:
                self._stop_script("time-limit", "time-limit")
                return None
            if clock.now_us() >= limit_us:
                interrupted, limit_us = True, limit_us + INTERRUPT_GRACE_US
                self._recorder.event(clock.now_us(), "script-interrupted")
                runner.interrupt()
            if self._too_much_output():
                self._stop_script("killed", "output-flood")
                return None
            self._check_vehicle()
            await self._sleep_or_end(min(limit_us, clock.now_us() + LOOK_INTERVAL_US), runner)
        ending = runner.ended.result()
        script.ended = "stuck" if ending.how != "exited" else "time-limit" if interrupted else "exited"
        self._script_over(script.ended)
        return ending

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

    async def _until_down(self) -> None:
        """Waits until the vehicle stands with its motors off; asks for a landing when nothing else brings it down."""
        assert self._commander is not None
        clock, watch = self._clock, self._watch
        patience_us = clock.now_us() + (0 if self._manifest.script.ended != "exited" else LANDING_PATIENCE_US)
        deadline_us = patience_us + SET_DOWN_TIMEOUT_US
        asked = False
        while not watch.on_ground and clock.now_us() < deadline_us:
            self._check_vehicle()
            if not asked and clock.now_us() >= patience_us:
                asked = True
                self._set_down()
            await clock.sleep_until(clock.now_us() + LOOK_INTERVAL_US)
        await clock.sleep_until(clock.now_us() + SETTLE_US)

    # What happens on the way

    def _set_down(self) -> None:
        assert self._commander is not None
        assert self._hub is not None
        self._hub.cut_off("script")
        cause = "the script ended and left the vehicle in the air"
        self._note_safety(SafetyEvent(at_s=self._clock.now_us() / 1e6, what="harness: set-down", cause=cause))
        self._commander.ask("set-down", "harness")

    def _on_reaction(self, event: SafetyEvent) -> None:
        assert self._hub is not None
        self._hub.cut_off("script")
        self._note_safety(event)

    def _note_safety(self, event: SafetyEvent) -> None:
        self._manifest.safety_events.append(event)
        self._recorder.event(self._clock.now_us(), "safety", what=event.what, cause=event.cause)

    def _on_script_frame(self, now_us: int, _frame: bytes) -> None:
        self._manifest.script.frames_sent += 1
        if self._guard is not None:
            self._guard.script_heard(now_us)

    def _stop_script(self, ended: endings.Ended, event: str) -> None:
        assert self._runner is not None
        self._manifest.script.ended = ended
        self._manifest.script.exit_code = self._runner.close(gently=True)
        self._script_over(event)

    def _script_over(self, event: str) -> None:
        now_us = self._clock.now_us()
        self._manifest.script.ended_us = now_us
        self._recorder.event(now_us, "script-ended", how=event)
        if self._guard is not None:
            self._guard.script_ended()

    def _check_vehicle(self) -> None:
        heard_us = self._watch.seen.heartbeat_us or 0
        if self._clock.now_us() - heard_us > LOST_AFTER_US:
            raise VehicleProblem(
                f"the vehicle was lost: no heartbeat since {heard_us / 1e6:.1f} s",
                "Look at its power and its link; what was recorded until then is kept",
            )

    def _too_much_output(self) -> bool:
        return (self._folder / folders.SCRIPT_LOG).stat().st_size > SCRIPT_LOG_BYTES_MAX

    def _collect(self) -> None:
        """Ten times a second: truth and state to the recorder, progress to whoever watches."""
        assert self._vehicle is not None
        now_us = self._clock.now_us()
        self._clock.call_at(now_us + COLLECT_INTERVAL_US, self._collect)
        self._recorder.truth(self._vehicle.drain_truth())
        self._recorder.state(self._vehicle.drain_state())
        self._looks += 1
        if self._looks % PROGRESS_EVERY == 0:
            self._show("flying" if self._manifest.script.started_us else "preparing")

    def _show(self, phase: endings.Phase) -> None:
        seconds = self._clock.now_us() / 1e6
        self._progress(Progress(phase, seconds, self._watch.height_m, self._watch.distance_m))

    # Closing

    def _close(self, ending: Ending | None) -> None:
        """Ends and closes everything, and writes down how it went; one failure does not keep the rest open."""
        now_us = self._clock.now_us()
        with contextlib.ExitStack() as stack:
            stack.callback(self._finish, ending, now_us)
            stack.callback(self._close_captures)
            if self._vehicle is not None:
                stack.callback(self._vehicle.stop)
                stack.callback(self._take_rest, self._vehicle)
            if self._hub is not None:
                stack.callback(self._close_hub, self._hub)
            if self._runner is not None:
                stack.callback(self._end_script, self._runner)

    def _close_captures(self) -> None:
        try:
            self._recorder.close()
        except FlightError as error:
            self._failure = self._failure or error

    def _end_script(self, runner: ScriptRunner) -> None:
        code = runner.close(gently=True)
        script = self._manifest.script
        script.exit_code = code if script.exit_code is None else script.exit_code
        if not script.ended and script.started_us is not None:
            script.ended, script.ended_us = "killed", self._clock.now_us()
        if (usage := runner.usage_us()) is not None:
            script.cpu_s, script.longest_compute_ms = usage[0] / 1e6, usage[1] / 1e3

    def _close_hub(self, hub: Hub) -> None:
        hub.close()
        self._manifest.link = hub.counters()
        self._manifest.script.datagrams_dropped = self._manifest.link.get("script.frames_dropped", 0)

    def _take_rest(self, vehicle: Vehicle) -> None:
        if self._failure is not None:
            return  # what could be written was
        self._recorder.truth(vehicle.drain_truth())
        self._recorder.state(vehicle.drain_state())

    def _finish(self, ending: Ending | None, now_us: int) -> None:
        manifest, clock = self._manifest, self._manifest.clock
        log = self._folder / folders.SCRIPT_LOG
        with contextlib.suppress(OSError):
            output = log.read_bytes()
            self._recorder.script_output(self._port.mask(output) if self._port is not None else output)
        manifest.flight_time_s = now_us / 1e6
        manifest.wall_time_s = round(self._since_spawn.seconds(), 6)
        clock.pace = round(manifest.flight_time_s / max(manifest.wall_time_s, 1e-9), 2)
        stuck = ScriptProblem(*endings.stuck(ending.reason)) if ending and ending.how == "stuck" else None
        if self._stopped:
            manifest.problem = "the flight was stopped from outside"
        else:
            manifest.outcome, manifest.problem = endings.outcome(manifest, self._failure or stuck, log)
        clock.deterministic = clock.kind == "lockstep" and manifest.outcome in ("completed", "script-failed")
        clock.digest = self._recorder.digest_hex(manifest.script.exit_code) if clock.deterministic else None
        self._progress(
            Progress("ending", manifest.flight_time_s, self._watch.height_m, self._watch.distance_m)
        )
        manifests.write(manifest, self._folder)

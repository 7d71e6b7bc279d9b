"""Records a flight that a pilot flies by hand: no script, no guard, nothing asked of the vehicle but its messages.

The pilot has the sticks and this process only listens, so its end is nobody's danger and no keeper is needed.
"""

from __future__ import annotations

import signal
from pathlib import Path

from asflown.clock.kernel import StoppedBySignal
from asflown.clock.paced import PacedClock
from asflown.clock.wall import Stopwatch, utc_now
from asflown.errors import FlightError, UsageError
from asflown.flight import opening
from asflown.flight.endings import Phase
from asflown.flight.fingerprint import fingerprint
from asflown.flight.plan import FlightPlan, FlightResult, Progress, ProgressCallback
from asflown.flight.watch import VehicleWatch
from asflown.link.budget import budget_for
from asflown.link.endpoint import make_endpoint
from asflown.link.hub import Hub
from asflown.link.knock import Knock
from asflown.link.profile import load_profile
from asflown.record import folder as folders
from asflown.record import manifest as manifests
from asflown.record.capture import Recorder
from asflown.record.manifest import Manifest
from asflown.url import parse
from asflown.vehicle.airframe import Airframe
from asflown.vehicle.baud import with_baud
from asflown.vehicle.conversation import Conversation

SETTLE_US = 2_000_000
"""How long is still recorded after the vehicle stands."""
LOOK_US = 100_000
PROGRESS_EVERY = 5


def record_by_hand(plan: FlightPlan, progress: ProgressCallback) -> FlightResult:
    """Records from now until the vehicle has flown and stands again, or Ctrl-C; graded later, by `plan`'s scenario.

    Raises UsageError for a vehicle without a link and for a folder that cannot be made, KeyboardInterrupt after Ctrl-C
    before anything was flown, SystemExit(143) after SIGTERM.
    """
    if plan.vehicle.link is None:
        raise UsageError(
            f"vehicle {plan.vehicle.name} is of kind {plan.vehicle.kind}, which nobody flies by hand from here",
            "Name a vehicle file of kind airframe or bench",
        )
    folder = folders.create(
        plan.keep, utc_now().strftime("%Y%m%dT%H%M%SZ"), plan.loaded.scenario.name, plan.vehicle.name
    )
    manifest = opening.manifest(plan, folder.name, "paced", utc_now().isoformat(timespec="seconds"))
    manifest.by_hand, manifest.script.command = True, []
    clock, watch = PacedClock(), Stopwatch()
    manifest.clock.epoch_us, manifest.clock.fingerprint = clock.epoch_us, fingerprint()
    manifests.write(manifest, folder)
    recording = _Recording(plan, folder, manifest, clock, progress)
    stopped = 0
    try:
        clock.run(recording.run())
    except StoppedBySignal as stop:
        stopped = stop.signal_number
    except FlightError as error:
        manifest.outcome, manifest.problem = "error", str(error)
    if manifest.outcome == "interrupted":
        _judge(manifest, recording)
    manifest.wall_time_s = round(watch.seconds(), 3)
    manifest.captures = folders.sizes(folder)
    manifests.write(manifest, folder)
    if stopped == signal.SIGTERM:
        raise SystemExit(143)
    if stopped and manifest.outcome == "interrupted":
        raise KeyboardInterrupt
    return FlightResult(folder, manifest)


def _judge(manifest: Manifest, recording: _Recording) -> None:
    if recording.flew and recording.watch.on_ground:
        manifest.outcome = "completed"
    else:
        manifest.problem = "recording was stopped in flight" if recording.flew else "nothing was flown"


class _Recording:
    def __init__(
        self,
        plan: FlightPlan,
        folder: Path,
        manifest: Manifest,
        clock: PacedClock,
        progress: ProgressCallback,
    ) -> None:
        self._plan, self._folder, self._manifest = plan, folder, manifest
        self._clock, self._progress = clock, progress
        self.watch = VehicleWatch()
        self.flew = False

    async def run(self) -> None:
        """Opens the link, records, and closes everything. Raises FlightError."""
        file, clock = self._plan.vehicle, self._clock
        url = with_baud(parse(file.link or ""))
        recorder = Recorder(self._folder, clock.epoch_us, traffic_only=True)
        radio = load_profile(file.radio).up_lane if file.radio else None
        endpoint = make_endpoint(url, clock, name="vehicle")
        hub = Hub(clock, recorder, endpoint, None, budget=budget_for(url, radio, clock))
        conversation = Conversation(
            clock, lambda frame: hub.inject(frame, "harness"), file.system, file.component
        )
        hub.on_vehicle_frame += [self.watch.frame, conversation.frame]
        vehicle = Airframe(file, url, conversation, lambda: None)
        try:
            hub.start()
            Knock(clock, hub).start()
            await vehicle.identify()
            await vehicle.ask_for_messages()
            self._manifest.vehicle = vehicle.record()
            manifests.write(self._manifest, self._folder)
            await self._until_flown()
            await vehicle.give_back()
        finally:
            self._manifest.flight_time_s = clock.now_us() / 1e6
            hub.close()
            self._manifest.link = hub.counters()
            recorder.close()

    async def _until_flown(self) -> None:
        clock, watch, looks = self._clock, self.watch, 0
        while not (self.flew and watch.on_ground):
            self.flew = self.flew or watch.seen.armed
            if looks % PROGRESS_EVERY == 0:
                phase: Phase = "flying" if self.flew else "preparing"
                self._progress(Progress(phase, clock.now_us() / 1e6, watch.height_m, watch.distance_m))
            looks += 1
            await clock.sleep_until(clock.now_us() + LOOK_US)
        await clock.sleep_until(clock.now_us() + SETTLE_US)

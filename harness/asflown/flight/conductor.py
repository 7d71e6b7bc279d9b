"""One flight from power-up to the closed folder; it does not know which clock runs, and never grades.

Order: vehicle and hub start; the vehicle becomes ready; the script runs; whatever is left in the air is set down;
everything is closed, whatever happened before. The manifest is on disk before the script runs.
"""

from __future__ import annotations

import contextlib
import signal
from pathlib import Path

from asflown.clock.followed import FollowedClock
from asflown.clock.kernel import StoppedBySignal
from asflown.clock.paced import PacedClock
from asflown.clock.virtual import VirtualClock
from asflown.clock.wall import Stopwatch, utc_now
from asflown.errors import ClockProblem, FlightError
from asflown.flight import interpreter, opening
from asflown.flight.attempt import KEPT, Attempt, CannotHold
from asflown.flight.fingerprint import fingerprint
from asflown.flight.interpreter import Command
from asflown.flight.operator import is_unattended
from asflown.flight.plan import ClockChoice, FlightPlan, FlightResult, ProgressCallback
from asflown.record import folder as folders
from asflown.record import manifest as manifests
from asflown.record.manifest import Manifest


def fly(plan: FlightPlan, progress: ProgressCallback) -> FlightResult:
    """Flies `plan` once and returns what was recorded; a flight that could not be carried out says so in its manifest.

    Raises UsageError when the folder cannot be made, KeyboardInterrupt after Ctrl-C and SystemExit(143) after
    SIGTERM, when everything has been closed.
    """
    asked = plan.clock if plan.clock != "any" else plan.loaded.scenario.clock
    fingerprint()  # where there is no memory for linear algebra, its library ends the process: before there is a flight
    watch = Stopwatch()
    folder = folders.create(
        plan.keep, utc_now().strftime("%Y%m%dT%H%M%SZ"), plan.loaded.scenario.name, plan.vehicle.name
    )
    manifest = opening.manifest(plan, folder.name, asked, utc_now().isoformat(timespec="seconds"))
    try:
        if plan.vehicle.kind in KEPT:
            manifests.write(
                manifest, folder
            )  # whoever walks away from the questions leaves a folder that says so
            manifest.operator = _confirmed(plan)
        return FlightResult(folder, _fly_in(plan, asked, folder, manifest, progress))
    except StoppedBySignal as stop:
        if stop.signal_number == signal.SIGTERM:
            raise SystemExit(143) from None
        raise KeyboardInterrupt from None
    except (FlightError, OSError) as error:
        manifest.outcome, manifest.problem = "error", str(error)
        manifest.wall_time_s = round(watch.seconds(), 3)
        with contextlib.suppress(OSError):  # on a full disk the opening manifest stays; the result says why
            manifests.write(manifest, folder)
        return FlightResult(folder, manifest)


def _confirmed(plan: FlightPlan) -> dict[str, str]:
    """What the operator said. Raises FlightError when nobody confirms that something real may fly."""
    vehicle = plan.vehicle
    if plan.operator is not None:
        return plan.operator.confirm(vehicle, plan.loaded.scenario)
    if is_unattended(vehicle):
        return {"unattended": "bench"}
    raise FlightError(
        f"nobody was asked whether {vehicle.name} may fly",
        "Real vehicles fly by `asflown fly` from a terminal",
    )


def _fly_in(
    plan: FlightPlan, asked: ClockChoice, folder: Path, manifest: Manifest, progress: ProgressCallback
) -> Manifest:
    """Chooses the clock, and changes to wall time when the script turns out not to be held."""
    script = plan.loaded.scenario.script
    commands = interpreter.resolve_all((script.run, *script.beside), plan.loaded.folder)
    if follows_vehicle(plan):
        return _fly_followed(plan, folder, manifest, commands, progress)
    reason = _why_paced(plan, asked, commands)
    if not reason and asked != "paced":
        try:
            trial = manifest.model_copy(deep=True)
            return Attempt(plan, folder, trial, commands, clock=VirtualClock(), progress=progress).run()
        except CannotHold as error:
            reason = error.reason
    if asked == "lockstep":
        raise ClockProblem(
            f"the scenario asks for lockstep, but {reason}",
            "Change that call, or allow `clock: any` to fly it in wall time",
        )
    for entry in folder.iterdir():
        entry.unlink()  # captures of a trial that could not be held: only names of files lie there
    manifest.clock.reason = "" if asked == "paced" else reason
    return Attempt(plan, folder, manifest, commands, clock=PacedClock(), progress=progress).run()


def follows_vehicle(plan: FlightPlan) -> bool:
    """Whether the vehicle's own time is the flight's."""
    container = plan.vehicle.container
    return container is not None and container.rate == "vehicle"


def _fly_followed(
    plan: FlightPlan,
    folder: Path,
    manifest: Manifest,
    commands: tuple[Command, ...],
    progress: ProgressCallback,
) -> Manifest:
    """With a script that is held to the vehicle's time; one that cannot be held cannot fly at another pace."""
    reason = next((command.why_not_held for command in commands if command.why_not_held), "")
    manifest.clock.reason = f"the vehicle {plan.vehicle.name} keeps time of its own, which the script follows"
    try:
        if not reason:
            clock = FollowedClock()
            return Attempt(plan, folder, manifest, commands, clock=clock, progress=progress).run()
    except CannotHold as error:
        reason = error.reason
    raise ClockProblem(
        f"container {plan.vehicle.name} flies at a rate of its own, and the script cannot be held to it: {reason}",
        "Write `rate: wall` and let the container fly by wall time, or change that call",
    )


def _why_paced(plan: FlightPlan, asked: ClockChoice, commands: tuple[Command, ...]) -> str:
    """Why this flight cannot be in lockstep, as far as that is known before it; '' when it can."""
    if asked == "paced":
        return ""
    if plan.vehicle.kind != "built-in":
        return f"the vehicle {plan.vehicle.name} keeps time of its own"
    return next((command.why_not_held for command in commands if command.why_not_held), "")

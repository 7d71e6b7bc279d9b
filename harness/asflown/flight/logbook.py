"""Writes down how a flight goes: the manifest, and the events beside the captures."""

from __future__ import annotations

import contextlib
from pathlib import Path

from asflown.clock.base import ClockKind
from asflown.clock.wall import Stopwatch
from asflown.errors import FlightError
from asflown.flight import endings
from asflown.flight.fingerprint import accelerated, fingerprint
from asflown.flight.kept_recorder import KeptRecorder
from asflown.flight.kept_rig import KeptRig
from asflown.flight.rig import Rig
from asflown.record import folder as folders
from asflown.record import manifest as manifests
from asflown.record.capture import Recorder
from asflown.record.manifest import Manifest, SafetyEvent

SCRIPT_LOG_BYTES_MAX = 64 << 20


class Logbook:
    """The manifest of one attempt, kept up to date with its recorder."""

    def __init__(self, manifest: Manifest, folder: Path, recorder: Recorder | KeptRecorder) -> None:
        self.manifest, self._folder, self._recorder = manifest, folder, recorder
        self._since_spawn = Stopwatch()

    def open(self, kind: ClockKind, epoch_us: int) -> None:
        """Writes the manifest as it stands before take-off."""
        clock = self.manifest.clock
        clock.kind, clock.epoch_us, clock.fingerprint = kind, epoch_us, fingerprint()
        clock.accelerated = accelerated()
        manifests.write(self.manifest, self._folder)

    def spawned(self, rig: Rig | KeptRig, argv: tuple[str, ...]) -> None:
        """The vehicle is known and the script's process starts: pace counts from here."""
        self.manifest.vehicle = rig.vehicle.record()
        self.manifest.script.command = list(argv)
        self._since_spawn = Stopwatch()

    def event(self, now_us: int, kind: str, **facts: object) -> None:
        """Notes that something happened."""
        self._recorder.event(now_us, kind, **facts)

    def prepared(self, rig: Rig | KeptRig) -> None:
        """More is known of the vehicle now; written at once, before take-off."""
        self.manifest.vehicle = rig.vehicle.record()
        self.manifest.preflight = dict(rig.preflight)
        manifests.write(self.manifest, self._folder)

    def script_started(self, now_us: int) -> None:
        """The script runs from now on."""
        self.manifest.script.started_us = now_us
        self.event(now_us, "script-started")

    def script_over(self, now_us: int, ended: endings.Ended, event: str) -> None:
        """The script ended, or was ended."""
        self.manifest.script.ended, self.manifest.script.ended_us = ended, now_us
        self.event(now_us, "script-ended", how=event)

    def safety(self, now_us: int, what: str, cause: str) -> None:
        """Somebody stepped in."""
        self.manifest.safety_events.append(SafetyEvent(at_s=now_us / 1e6, what=what, cause=cause))
        self.event(now_us, "safety", what=what, cause=cause)

    def too_much_output(self) -> bool:
        """Whether the script has written more than is kept."""
        return (self._folder / folders.SCRIPT_LOG).stat().st_size > SCRIPT_LOG_BYTES_MAX

    def script_closed(self, rig: Rig | KeptRig, now_us: int, code: int | None) -> None:
        """The script's processes are gone."""
        script = self.manifest.script
        script.exit_code = code if script.exit_code is None else script.exit_code
        if not script.ended and script.started_us is not None:
            script.ended, script.ended_us = "killed", now_us
        if (usage := rig.runner.usage_us()) is not None:
            script.cpu_s, script.longest_compute_ms = usage[0] / 1e6, usage[1] / 1e3

    def hub_closed(self, rig: Rig | KeptRig) -> None:
        """Nothing passes the hub any more."""
        self.manifest.link = rig.hub.counters()
        heard = self.manifest.link.get(
            "script.frames_in", 0
        )  # where the keeper has the hub, nobody else counts them
        self.manifest.script.frames_sent = max(self.manifest.script.frames_sent, heard)
        self.manifest.script.datagrams_dropped = self.manifest.link.get("script.frames_dropped", 0)

    def close(
        self, rig: Rig | KeptRig | None, now_us: int, failure: FlightError | None, *, stopped: bool
    ) -> None:
        """Writes how the flight ended. Raises OSError when the manifest cannot be written."""
        manifest, clock = self.manifest, self.manifest.clock
        if rig is not None:
            manifest.vehicle.facts = rig.vehicle.record().facts  # more is known of it at the end
        log = self._folder / folders.SCRIPT_LOG
        with contextlib.suppress(OSError):
            output = log.read_bytes()
            self._recorder.script_output(output if rig is None else rig.port.mask(output))
        manifest.flight_time_s = now_us / 1e6
        manifest.wall_time_s = round(self._since_spawn.seconds(), 6)
        clock.pace = round(manifest.flight_time_s / max(manifest.wall_time_s, 1e-9), 2)
        if stopped:
            manifest.problem = "the flight was stopped from outside"
        else:
            manifest.outcome, manifest.problem = endings.outcome(manifest, failure, log)
        manifest.captures = folders.sizes(self._folder)
        clock.deterministic = clock.kind == "lockstep" and manifest.outcome in {"completed", "script-failed"}
        clock.digest = self._recorder.digest_hex(manifest.script.exit_code) if clock.deterministic else None
        manifests.write(manifest, self._folder)

"""A simulated vehicle in a container: started for one flight, watched while it flies, and always removed.

The container is made and started when the vehicle is opened, since only then its address is known. A thread waits
for its end and another keeps its log, so that neither ever holds up a frame.
"""

from __future__ import annotations

import contextlib
import threading
from pathlib import Path
from typing import Any

from docker.models.containers import Container as EngineContainer
from docker.models.networks import Network

from asflown.clock.base import Clock
from asflown.clock.followed import FollowedClock
from asflown.clock.wall import Stopwatch, pause
from asflown.errors import VehicleProblem
from asflown.link.base import Endpoint
from asflown.link.endpoint import make_endpoint
from asflown.record.manifest import VehicleRecord
from asflown.scenario.model import Scenario, VehicleFile
from asflown.url import LOOPBACK, Kind, Url
from asflown.vehicle import container_setup
from asflown.vehicle.engine import ENGINE_ERRORS, Engine, labels
from asflown.vehicle.followed import FollowedEndpoint

LOG_FILE = "vehicle.log"
LOG_SHOWN_CHARACTERS = 300
STOPPED_CODES = {137: "killed", 143: "stopped"}
ENGINE_GONE = -1
REMOVE_TRIES, REMOVE_PAUSE_S = 5, 1.0
"""How long an engine that is away may take to come back before what is left is left to the next flight."""


class ContainerVehicle:
    """Fulfils `Vehicle` for the kind container."""

    lockstep = False
    """It keeps time of its own."""

    def __init__(self, clock: Clock, file: VehicleFile, scenario: Scenario, seed: int, folder: Path) -> None:
        """Starts the container; its log goes into `folder`. Raises VehicleProblem with nothing left behind."""
        assert file.container is not None
        self._clock, self._file, self._container = clock, file, file.container
        self._folder = folder
        self.heartbeat_within_s = file.container.ready_within_s
        self._engine = Engine()
        self._made: EngineContainer | None = None
        self._network: Network | None = None
        self._ended: tuple[int, bool] | None = None
        self._threads: list[threading.Thread] = []
        with contextlib.ExitStack() as opened:
            opened.callback(self.stop)
            self._engine.sweep()
            self._run(scenario, seed)
            self.url = self._address()
            self.endpoint: Endpoint = make_endpoint(self.url, clock, name="vehicle")
            if isinstance(clock, FollowedClock):
                self.endpoint = FollowedEndpoint(self.endpoint, clock, file.system)
            opened.pop_all()
        self._watch()

    def record(self) -> VehicleRecord:
        """What the manifest says of it, with the image pinned to its digest."""
        attributes = self._image.attrs
        return VehicleRecord(
            name=self._file.name,
            kind=self._file.kind,
            identity=self._file.identity.model_dump(mode="json", exclude_unset=True),
            facts={
                "image": self._container.image or f"built in {self._container.build}",
                "image_id": self._image.id,
                "repository_digests": sorted(attributes.get("RepoDigests") or []),
                "link": str(self.url),
                "command": list(self._command) or None,
                "limits": self._container.limits.model_dump(),
            },
        )

    def start(self) -> None:
        """It already runs."""

    def check(self) -> bool:
        """Whether its health check passes, where it has one. Raises VehicleProblem when it has ended."""
        if self._ended is not None:
            raise self._problem(*self._ended)
        return self._healthy or self._look_at_health()

    def unheard(self) -> VehicleProblem:
        """Why nothing was heard of it, as far as can be known."""
        port = self._container.port
        if not self._healthy:
            return VehicleProblem(
                f"container {self._file.name} is not healthy after {self.heartbeat_within_s:g} s{self._last_words()}",
                "Look at its HEALTHCHECK, or raise `ready_within`",
            )
        return VehicleProblem(
            f"container {self._file.name} runs, but no autopilot's heartbeat came from its port {port} within"
            f" {self.heartbeat_within_s:g} s{self._last_words()}",
            "Check that its program opens that port at 0.0.0.0 and speaks MAVLink, or raise `ready_within`",
        )

    def drain_truth(self) -> bytes:
        """Nothing is known."""
        return b""

    def drain_state(self) -> bytes:
        """Nothing is known."""
        return b""

    def work_ahead(self, quiet_until_us: int) -> bool:
        """Its work is its own."""
        return False

    def stop(self) -> None:
        """Removes the container and its network; says on which it failed. Harmless when called twice."""
        made, network = self._made, self._network
        self._made = self._network = None
        self._ended = self._ended or (0, False)
        if made is not None:
            self._remove(made, force=True, v=True)
        for thread in self._threads:
            thread.join(REMOVE_PAUSE_S)
        if network is not None:
            self._remove(network)
        self._engine.close()

    # Starting

    def _run(self, scenario: Scenario, seed: int) -> None:
        container, engine = self._container, self._engine

        def fill(text: str) -> str:
            return container_setup.filled(text, scenario.start, scenario.conditions, seed)

        self._image = (
            engine.build(Path(container.build)) if container.build else engine.image(container.image or "")
        )
        self._command = tuple(fill(word) for word in container.command)
        marks = labels(str(self._folder.resolve()))
        name = f"asflown-{self._folder.name}"
        with engine.translated(f"container {self._file.name} cannot be started"):
            self._network = engine.client.networks.create(
                name, labels=marks, check_duplicate=True, **container_setup.network_options(container)
            )
            self._made = engine.client.containers.create(
                self._image.id or "",
                list(self._command) or None,
                name=name,
                environment={key: fill(value) for key, value in container.environment.items()},
                labels=marks,
                **container_setup.creation(container, self._image, name),
            )
            self._made.start()
            self._made.reload()
        self._healthy = not ((self._image.attrs.get("Config") or {}).get("Healthcheck") or {}).get("Test")

    def _address(self) -> Url:
        """Where its port is reached from here."""
        assert self._made is not None
        number, _, transport = self._container.port.partition("/")
        settings: dict[str, Any] = self._made.attrs["NetworkSettings"]
        kind: Kind = "udp" if transport == "udp" else "tcp"
        if self._container.reach == "published":
            ports = (settings.get("Ports") or {}).get(self._container.port) or []
            if ports:
                return Url(kind, host=LOOPBACK, port=int(ports[0]["HostPort"]))
        else:
            found = [one.get("IPAddress") for one in settings["Networks"].values() if one.get("IPAddress")]
            if found:
                return Url(kind, host=found[0], port=int(number))
        raise self._problem(*self._state())

    # Watching

    def _watch(self) -> None:
        for work in (self._wait_for_end, self._keep_log):
            thread = threading.Thread(target=work, daemon=True, name=f"container {self._file.name}")
            thread.start()
            self._threads.append(thread)

    def _wait_for_end(self) -> None:
        made = self._made
        if made is None:
            return
        with contextlib.suppress(*ENGINE_ERRORS):
            made.wait(timeout=None)
        with contextlib.suppress(VehicleProblem):
            self._ended = self._ended or self._state()
            return
        self._ended = self._ended or (ENGINE_GONE, False)

    def _state(self) -> tuple[int, bool]:
        """Exit code, and whether memory was the reason; asked of the engine. Raises VehicleProblem."""
        assert self._made is not None
        with self._engine.translated(f"container {self._file.name} cannot be looked at"):
            self._made.reload()
        state = self._made.attrs["State"]
        return int(state.get("ExitCode", 0)), bool(state.get("OOMKilled"))

    def _keep_log(self) -> None:
        made = self._made
        if made is None:
            return
        left = container_setup.LOG_BYTES_MAX
        with contextlib.suppress(*ENGINE_ERRORS), (self._folder / LOG_FILE).open("wb", buffering=0) as log:
            for chunk in made.logs(stream=True, follow=True):
                log.write(chunk[:left])
                left -= len(chunk)
                if left <= 0:
                    return

    def _look_at_health(self) -> bool:
        assert self._made is not None
        with self._engine.translated(f"container {self._file.name} cannot be looked at"):
            self._made.reload()
        self._healthy = (self._made.attrs["State"].get("Health") or {}).get("Status") == "healthy"
        return self._healthy

    def _problem(self, code: int, out_of_memory: bool) -> VehicleProblem:
        name = f"container {self._file.name}"
        if code == ENGINE_GONE or (code in STOPPED_CODES and not self._engine.answers()):
            return VehicleProblem(
                f"the container engine went away while {name} was flown",
                "Start it again (dockerd); the next flight removes what is left of this one",
            )
        if out_of_memory:
            memory = f"{self._container.limits.memory_bytes / 1e6:g} MB"
            return VehicleProblem(f"{name} needed more memory than {memory}", "Raise `limits: {memory: ...}`")
        if code in STOPPED_CODES:
            return VehicleProblem(
                f"{name} was {STOPPED_CODES[code]} from outside{self._last_words()}",
                "Look who did that: a person, the system when memory ran out, or an engine that was shut down",
            )
        return VehicleProblem(
            f"{name} ended with exit code {code}{self._last_words()}", f"Its whole log is {LOG_FILE}"
        )

    def _last_words(self) -> str:
        if not self._threads:  # it ended before anybody began to keep its log
            self._keep_log()
        waited = Stopwatch()
        while len(self._threads) > 1 and self._threads[1].is_alive() and waited.seconds() < 0.5:
            if self._ended is None:
                break
            pause(0.02)  # the log's end arrives a moment after the container's
        with contextlib.suppress(OSError):
            text = (self._folder / LOG_FILE).read_bytes()[-4096:].decode("utf-8", "replace")
            lines = [line.strip() for line in text.splitlines() if line.strip()]
            if lines:
                return f"; its last words: {lines[-1][:LOG_SHOWN_CHARACTERS]}"
        return ""

    # Ending

    def _remove(self, thing: EngineContainer | Network, **how: bool) -> None:
        """Tries until it is gone; where the engine is away, the next flight's sweep removes it."""
        for _ in range(REMOVE_TRIES):
            try:
                thing.remove(**how)
            except ENGINE_ERRORS as error:
                if getattr(getattr(error, "response", None), "status_code", None) == 404:
                    return
                pause(REMOVE_PAUSE_S)
            else:
                return

"""What can fail a flight of a real vehicle or of a container, beside what fails any: keeper, ports, engine.

The vehicle is our own flight controller on a bench, behind two pseudo terminals, flown by the command through a keeper;
a port is unplugged by closing its far end, as the system does when a cable comes out.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import random
import select
import signal
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

from asflown.record import manifest as manifests
from asflown.vehicle.keeper_order import KeeperOrder
from tests.flights import engines, struck
from tests.flights.benches import rig_file
from tests.flights.conditions import NOT_FLOWN, Condition
from tests.flights.flying import command
from tests.flights.stand_in import served
from tests.flights.struck import Aftermath, Run

GUARD = "guard: {height: 8 m, distance: 40 m, battery: 10 %}\n"
NO_PORT = "and there is no serial port"
LOCK_FILE = "left behind: asflown-rig-"
"""The file stays, it is the lock on it that goes with its holder."""
LATEST_S = 1.5
"""How long after the vehicle has left the ground the moment is at the latest; the script is up for three seconds."""


class Cable:
    """A serial cable: a pseudo terminal at `near` for us, joined to the one at `far`, until it is pulled out."""

    def __init__(self, near: Path, far: Path) -> None:
        self._pulled, self._near = threading.Event(), near
        self._ours, theirs = os.openpty()
        tty.setraw(theirs)
        near.symlink_to(os.ttyname(theirs))
        self._far = os.open(far, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._far)
        os.close(theirs)
        for end in (self._ours, self._far):
            os.set_blocking(end, False)
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def pull(self) -> None:
        """Takes it out: whoever has the near end open finds it gone. Harmless when done twice."""
        self._pulled.set()
        self._thread.join()
        # as the system does with its name: the terminal's number may be another's at once
        self._near.unlink(missing_ok=True)

    def _carry(self) -> None:
        ends = {self._ours: self._far, self._far: self._ours}
        while not self._pulled.is_set():
            for end in select.select(list(ends), [], [], 0.01)[0]:
                try:
                    os.write(ends[end], os.read(end, 4096))
                except OSError:  # nobody has the near end open just now, or nobody reads there: it is lost
                    time.sleep(0.01)
        os.close(self._ours)
        os.close(self._far)


def _in_the_air(run: Run, chance: random.Random) -> bool:
    """Waits until the bench's own flight has a script that speaks, and some moment more; whether it came to that."""
    end = time.monotonic() + 120
    while time.monotonic() < end and run.process.poll() is None:
        newest = next(reversed(run.flights), None)
        if newest is not None and _is_kept(newest) and run.phase() == "flight":
            time.sleep(chance.uniform(0, LATEST_S))
            return True
        time.sleep(0.01)
    return False


def _is_kept(flight: Path) -> bool:
    """Whether it is the rig's own flight, not the simulation that comes before it under the rig's name."""
    try:
        return manifests.read(flight).vehicle.kind == "bench"
    except (OSError, ValueError):
        return False


def _is_held(lock: Path) -> bool:
    with lock.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
    return False


def _on_a_bench(
    folder: Path,
    chance: random.Random,
    strike: Callable[[Run, Cable, Callable[[], None]], None],
    *,
    outcome: str = "error",
    says: str,
) -> Aftermath:
    """Flies on a bench and strikes; `strike` is given the run, the radio's cable, and what ends the controller."""
    struck.scenario(folder, more=GUARD)
    vehicle = rig_file(folder)
    there = folder / "radio-there"
    with served(f"pty://{there}", "--hil", f"pty://{folder}/usb") as controller:
        cable = Cable(folder / "radio", there)
        try:
            with struck.started(folder, "--vehicle", vehicle) as run:
                fell = _in_the_air(run, chance)
                if fell:
                    strike(run, cable, controller.kill)
                code = run.wait(180)
                longest_s = KeeperOrder(vehicle="", captures=folder, control=folder).longest_end_s
                after = struck.aftermath(run, code, orphans_s=longest_s)
                said = " ".join(run.said().split())
        finally:
            cable.pull()
    if not fell:
        after.wrong.append(f"it never was in the air: {said[-300:]}")
    after.wrong = [wrong for wrong in after.wrong if not wrong.startswith(LOCK_FILE)]
    if held := [lock.name for lock in (folder / "tmp").glob("asflown-rig-*.lock") if _is_held(lock)]:
        after.wrong.append(f"still held: {held}")
    if after.outcomes[-1:] != (outcome,):
        after.wrong.append(f"outcomes {after.outcomes}, and the last one should be {outcome}")
    if says not in said:
        after.wrong.append(f"it does not say '{says}': {said[-400:]}")
    return after


def _to_keeper(number: signal.Signals) -> Callable[[Run, Cable, Callable[[], None]], None]:
    def strike(run: Run, _cable: Cable, _end: Callable[[], None]) -> None:
        pid = run.part("keeper")
        assert pid is not None
        os.kill(pid, number)

    return strike


def keeper_killed(folder: Path, chance: random.Random) -> Aftermath:
    """SIGKILL to the keeper in flight: the vehicle's own failsafe is what is left, and the harness says so at once."""
    return _on_a_bench(folder, chance, _to_keeper(signal.SIGKILL), says="the keeper of the vehicle")


def keeper_asked_to_end(folder: Path, chance: random.Random) -> Aftermath:
    """SIGTERM to the keeper in flight."""
    return _on_a_bench(folder, chance, _to_keeper(signal.SIGTERM), says="the keeper of the vehicle")


def keeper_stopped(folder: Path, chance: random.Random) -> Aftermath:
    """SIGSTOP to the keeper, and SIGCONT shortly after: it goes on where it was."""

    def strike(run: Run, cable: Cable, end: Callable[[], None]) -> None:
        _to_keeper(signal.SIGSTOP)(run, cable, end)
        time.sleep(chance.uniform(0.1, 0.8))
        _to_keeper(signal.SIGCONT)(run, cable, end)

    return _on_a_bench(folder, chance, strike, outcome="completed", says="passed")


def radio_unplugged(folder: Path, chance: random.Random) -> Aftermath:
    """The radio's serial port goes in flight."""
    return _on_a_bench(folder, chance, lambda _run, cable, _end: cable.pull(), says=NO_PORT)


def controller_unplugged(folder: Path, chance: random.Random) -> Aftermath:
    """The controller ends, and both its ports with it."""
    return _on_a_bench(folder, chance, lambda _run, _cable, end: end(), says=NO_PORT)


@contextlib.contextmanager
def _engine() -> Iterator[engines.OwnEngine]:
    engines.make_image()
    with engines.own_engine() as engine:
        engine.load(engines.IMAGE)
        yield engine


def engine_restarted(folder: Path, chance: random.Random) -> Aftermath:
    """The container engine is stopped and started again at once while a container flies; the next sweep clears up."""
    vehicle = engines.boxed(folder)
    words = command("fly", "try-out.scenario.yaml", "--vehicle", vehicle, "--keep", "flights")
    with _engine() as engine:
        variables = {"DOCKER_HOST": engine.host}
        with struck.started(folder, whole=[*engine.inside, *words], variables=variables) as run:
            engines.of_flight(folder, engine.host)
            time.sleep(chance.uniform(0, LATEST_S))
            engine.stop()
            engine.start()
            after = struck.aftermath(run, run.wait())
        sweep = command("vehicle", "sweep")
        with struck.started(folder, whole=sweep, variables=variables) as sweeping:
            if sweeping.wait():
                after.wrong.append(f"the sweep failed: {sweeping.said()[-300:]}")
        if left := engines.left(folder, engine.host):
            after.wrong.append(f"the engine still has {left}")
    return after


KEPT_CONDITIONS = (
    Condition("keeper: SIGKILL", keeper_killed, frozenset({NOT_FLOWN})),
    Condition("keeper: SIGTERM", keeper_asked_to_end, frozenset({NOT_FLOWN})),
    Condition("keeper: SIGSTOP, SIGCONT", keeper_stopped, frozenset({0})),
    Condition("radio's serial port unplugged", radio_unplugged, frozenset({NOT_FLOWN})),
    Condition("controller unplugged, both ports", controller_unplugged, frozenset({NOT_FLOWN})),
    Condition("container engine restarted", engine_restarted, frozenset({NOT_FLOWN}), "dockerd"),
)

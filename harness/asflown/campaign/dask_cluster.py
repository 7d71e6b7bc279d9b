"""Campaigns on a cluster: Dask distributed, wherever its scheduler listens.

A flight that a lost worker had is flown again by another; outcomes are noted once, by the store of the campaign, which
stays on this machine. The scenario's folder travels with the work, so workers need asflown installed and nothing else.
A worker flies one flight at a time, however many threads it has: flights would share its interpreter.
"""

from __future__ import annotations

import hashlib
import io
import logging
import os
import tarfile
import tempfile
import threading
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import CancelledError
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any

from asflown import __version__
from asflown.campaign.flying import Outcome, Task, fly_task, in_words, lost
from asflown.errors import FlightError, UsageError
from asflown.report.progress import Board, SilentBoard
from asflown.scenario.file import load_scenario
from asflown.scenario.vehicle_file import load_vehicle

_AT_ONCE_PER_THREAD = 2
_LARGEST_BYTES = 50_000_000
_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True, slots=True)
class Parcel:
    """A scenario's folder as it was when the campaign began."""

    name: str
    """By its contents: equal folders are unpacked once."""
    packed: bytes
    scenario: str
    """The scenario's file within it."""


Work = Callable[[Task, Parcel], Outcome]


@dataclass(frozen=True, slots=True)
class Cluster:
    """Flies on the workers of the scheduler at `address` (`tcp://127.0.0.1:8786`)."""

    address: str
    time_out_s: float = 10.0
    """How long to wait for the scheduler, and then for its first worker."""
    board: Board = field(default_factory=SilentBoard)
    """Shows how many have ended; how far a flight is does not travel."""

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """See Executor.

        Raises UsageError when there is no scheduler, no worker, or a worker that cannot fly this; FlightError when the
        scheduler is lost.
        """
        if tasks:
            yield from self.through(tasks, fly_parcel)

    def through(self, tasks: Sequence[Task], work: Work) -> Generator[Outcome]:
        """As `run`, by any `work` that workers can import."""
        parcel = pack(tasks[0].scenario)
        check(parcel, tasks[0].vehicle)
        distributed, client = self._connected()
        try:
            self._look_at_workers(client)
            self.board.expect(len(tasks))
            for outcome in _through(client, distributed, tasks, parcel, work):
                self.board.end(outcome.number, in_words(outcome), outcome.verdict)
                yield outcome
        except (OSError, TimeoutError, CancelledError) as error:
            raise FlightError(
                f"the scheduler at {self.address} is lost ({type(error).__name__})",
                "Run the same command again: what is done stays done",
            ) from error
        finally:
            client.close(timeout=5)

    def _connected(self) -> tuple[Any, Any]:
        """The library, and a client of the scheduler. Raises UsageError."""
        try:
            import distributed  # noqa: PLC0415  an extra, and only clusters need it
        except ImportError as error:
            raise UsageError("Dask is not installed", "pip install 'asflown[cluster]'") from error
        for name in ("distributed.client", "distributed.batched", "distributed.core"):
            logging.getLogger(name).setLevel(logging.CRITICAL)  # we say ourselves that a scheduler is lost
        connect: Any = distributed.Client
        try:
            return distributed, connect(self.address, timeout=self.time_out_s, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise UsageError(
                f"no scheduler answers at {self.address}", "Start one: `dask scheduler`"
            ) from error

    def _look_at_workers(self, client: Any) -> None:
        """Raises UsageError when there is none, or one with another asflown than ours."""
        try:
            client.wait_for_workers(1, timeout=self.time_out_s)
        except TimeoutError as error:
            raise UsageError(
                f"the scheduler at {self.address} has no worker", f"Start some: `dask worker {self.address}`"
            ) from error
        for worker, version in client.run(version_here, on_error="return").items():
            if version != __version__:
                raise UsageError(
                    f"worker {worker} has no asflown {__version__} ({version})",
                    "Install the same version everywhere",
                )


def version_here() -> str:
    """On a worker: which asflown it has."""
    return __version__


def _through(
    client: Any, distributed: Any, tasks: Sequence[Task], parcel: Parcel, work: Work
) -> Generator[Outcome]:
    """Hands out as many as are worth it, so that nothing piles up at the scheduler.

    The parcel is the result of a task, and not data that is put on workers: it is made again where its holder is lost.
    """
    sent = client.submit(_received, parcel, key=f"asflown-{parcel.name}")
    waiting = iter(tasks)
    of: dict[Any, Task] = {}
    running = distributed.as_completed(loop=client.loop)

    def hand_out(task: Task) -> None:
        future = client.submit(work, task, sent, pure=False, retries=0)
        of[future] = task
        running.add(future)

    at_once = max(1, _AT_ONCE_PER_THREAD * sum(client.nthreads().values()))
    for task in islice(waiting, at_once):
        hand_out(task)
    for future in running:
        outcome = _outcome(of.pop(future), future)
        future.release()
        yield outcome
        for task in islice(waiting, 1):
            hand_out(task)


def _received(parcel: Parcel) -> Parcel:
    return parcel


def _outcome(task: Task, future: Any) -> Outcome:
    """What came back. Raises CancelledError and OSError when the scheduler is gone."""
    try:
        outcome: Outcome = future.result()
    except (OSError, TimeoutError, CancelledError):
        if future.status == "error":  # the flight's own, not the connection's
            return lost(task, f"on a worker: {future.exception()!r}")
        raise
    except Exception as error:  # noqa: BLE001  whatever a worker meets is the end of one flight
        return lost(task, f"on a worker: {error!r}")
    return outcome


def pack(scenario: Path) -> Parcel:
    """The folder of a scenario. Raises UsageError when it is too big to travel."""
    folder, out = scenario.resolve().parent, io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        for file in sorted(folder.rglob("*")):
            hidden = any(part.startswith((".", "__pycache__")) for part in file.relative_to(folder).parts)
            if file.is_file() and not hidden:
                archive.add(file, str(file.relative_to(folder)), filter=_plain)
    packed = out.getvalue()
    if len(packed) > _LARGEST_BYTES:
        raise UsageError(
            f"{folder} has {len(packed) / 1e6:.0f} MB", "Move what the script does not need out of it"
        )
    return Parcel(hashlib.sha256(packed).hexdigest()[:16], packed, scenario.name)


def _plain(entry: tarfile.TarInfo) -> tarfile.TarInfo:
    """Without owners and times, so that equal folders give equal parcels."""
    entry.uid = entry.gid = entry.mtime = 0
    entry.uname = entry.gname = ""
    return entry


def check(parcel: Parcel, vehicle: str) -> None:
    """Whether a worker, which has the parcel alone, can read the scenario and its vehicle. Raises UsageError."""
    with tempfile.TemporaryDirectory(prefix="asflown-parcel-") as name:
        _unpack(parcel, Path(name))
        try:
            loaded = load_scenario(Path(name) / parcel.scenario)
            load_vehicle(vehicle, loaded.folder)
        except UsageError as error:
            told = str(error).replace(f"{name}/", "")
            raise UsageError(
                f"the scenario's folder alone cannot be flown elsewhere: {told}",
                "What it extends, and its vehicle file, must lie in that folder",
            ) from error


def _unpack(parcel: Parcel, folder: Path) -> None:
    with tarfile.open(fileobj=io.BytesIO(parcel.packed)) as archive:
        archive.extractall(folder, filter="data")


def place_of(parcel: Parcel) -> Path:
    """On a worker: its folder, unpacked where it is not there yet. Raises FlightError when it is somebody else's."""
    place = Path(tempfile.gettempdir()) / f"asflown-{os.getuid()}-{parcel.name}"
    if not place.is_dir():
        with tempfile.TemporaryDirectory(dir=place.parent) as fresh:
            _unpack(parcel, Path(fresh))
            try:
                Path(fresh).rename(place)
                Path(fresh).mkdir()  # what the context removes
            except OSError:  # another worker was first
                pass
    if place.stat().st_uid != os.getuid():
        raise FlightError(
            f"{place} belongs to somebody else", "Remove it, or give workers a TMPDIR of their own"
        )
    return place


def fly_parcel(task: Task, parcel: Parcel) -> Outcome:
    """On a worker: flies in the unpacked folder. Captures stay there."""
    with _ONE_AT_A_TIME:
        place = place_of(parcel)
        return fly_task(replace(task, scenario=place / parcel.scenario, keep=place / "flights"))

"""Campaigns on a cluster: Dask distributed, wherever its scheduler listens.

A flight that a lost worker had is flown again by another; outcomes are noted once, by the store of the campaign, which
stays on this machine. The scenario's folder travels with the work, so workers need asflown installed and nothing else.
"""

from __future__ import annotations

import hashlib
import io
import tarfile
import tempfile
from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from asflown.campaign.flying import Outcome, Task, fly_task, lost
from asflown.errors import FlightError, UsageError

_AT_ONCE_PER_THREAD = 2
_LARGEST_BYTES = 50_000_000


@dataclass(frozen=True, slots=True)
class Parcel:
    """A scenario's folder as it was when the campaign began."""

    name: str
    """By its contents: equal folders are unpacked once."""
    packed: bytes
    scenario: str
    """The scenario's file within it."""


@dataclass(frozen=True, slots=True)
class Cluster:
    """Flies on the workers of the scheduler at `address` (`tcp://127.0.0.1:8786`)."""

    address: str
    time_out_s: float = 10.0
    tries: int = 3
    """How many workers may die over one flight before it is an `error`."""

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """See Executor. Raises UsageError when nobody answers, FlightError when the scheduler is lost."""
        if not tasks:
            return
        try:
            import distributed  # noqa: PLC0415  an extra, and only clusters need it
        except ImportError as error:
            raise UsageError("Dask is not installed", "pip install 'asflown[cluster]'") from error
        connect: Any = distributed.Client
        try:
            client = connect(self.address, timeout=self.time_out_s, set_as_default=False)
        except (OSError, TimeoutError) as error:
            raise UsageError(
                f"no scheduler answers at {self.address}", "Start one: `dask scheduler`"
            ) from error
        try:
            yield from self._through(client, distributed.as_completed, tasks)
        except (OSError, TimeoutError) as error:
            raise FlightError(
                f"the scheduler at {self.address} is lost ({error})",
                "Run the same command again: what is done stays done",
            ) from error
        finally:
            client.close(timeout=5)

    def _through(self, client: Any, as_completed: Any, tasks: Sequence[Task]) -> Generator[Outcome]:
        """Hands out as many as are worth it, so that nothing piles up at the scheduler."""
        parcel = client.scatter(pack(tasks[0].scenario), broadcast=True, direct=False)
        waiting = list(tasks)
        of: dict[Any, Task] = {}
        running = as_completed(loop=client.loop)

        def hand_out() -> None:
            task = waiting.pop(0)
            future = client.submit(fly_parcel, task, parcel, pure=False, retries=0)
            of[future] = task
            running.add(future)

        for _ in range(min(len(waiting), max(1, _AT_ONCE_PER_THREAD * sum(client.nthreads().values())))):
            hand_out()
        for future in running:
            task = of.pop(future)
            yield future.result() if future.status == "finished" else lost(task, f"{future.exception()}")
            future.release()
            if waiting:
                hand_out()


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


def fly_parcel(task: Task, parcel: Parcel) -> Outcome:
    """On a worker: unpacks the folder where it is not there yet, and flies in it. Captures stay there."""
    place = Path(tempfile.gettempdir()) / f"asflown-{parcel.name}"
    if not place.is_dir():
        with tempfile.TemporaryDirectory(dir=place.parent) as fresh:
            with tarfile.open(fileobj=io.BytesIO(parcel.packed)) as archive:
                archive.extractall(fresh, filter="data")
            made = Path(fresh)
            try:
                made.rename(place)
                Path(fresh).mkdir()  # what the context removes
            except OSError:  # another worker was first
                pass
    return fly_task(replace(task, scenario=place / parcel.scenario, keep=place / "flights"))

"""A campaign on a cluster: what travels, what comes back, and what happens when a part of the cluster is gone."""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest

from asflown.campaign.dask_cluster import Cluster, Parcel, check, fly_parcel, pack, place_of
from asflown.campaign.flying import Outcome, Task, fly_task
from asflown.campaign.plan import Drawn
from asflown.errors import FlightError, UsageError
from tests.flights.flying import SCENARIOS
from tests.unit.campaign.cluster import Processes


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    """A demo of one's own."""
    place = Path(shutil.copytree(SCENARIOS / "nest_boxes", tmp_path / "demo"))
    return place / "nest-boxes.scenario.yaml"


@pytest.fixture(scope="module")
def cluster() -> Iterator[Processes]:
    """A scheduler and two workers."""
    processes = Processes(workers=2)
    yield processes
    processes.stop()


def tasks(scenario: Path, count: int) -> list[Task]:
    """Flights that are given nothing."""
    keep = scenario.parent / "flights"
    return [Task(Drawn(n, n + 1, {}), scenario, "palm80", "lockstep", keep, "none") for n in range(count)]


def quick(task: Task, parcel: Parcel) -> Outcome:
    """Stands for a flight: takes a moment, and tells that the folder has come."""
    time.sleep(0.05)
    drawn = task.drawn
    if drawn.number == 3:
        raise OSError("this one breaks")
    return Outcome(drawn.number, drawn.seed, {}, "pass", "", {}, digest=f"{parcel.name} {len(parcel.packed)}")


@pytest.mark.slow
@pytest.mark.wall_time
def test_each_flight_comes_back_once_whatever_breaks(scenario: Path, cluster: Processes) -> None:
    """A worker is killed in the middle: its flights are done by another; what raises is the end of one flight.

    Then the scheduler is killed: that is said, and nothing is made up for the flights that did not come back.
    """
    parcel, found = pack(scenario), []
    for outcome in Cluster(cluster.address, 60.0).through(tasks(scenario, 40), quick):
        found.append(outcome)
        if len(found) == 10:
            os.kill(cluster.workers[0].pid, signal.SIGKILL)
    assert sorted(one.number for one in found) == list(range(40))
    broken = [one for one in found if one.verdict == "error"]
    assert [(one.number, "this one breaks" in one.reason) for one in broken] == [(3, True)]
    assert {one.digest for one in found} - {""} == {f"{parcel.name} {len(parcel.packed)}"}

    with pytest.raises(FlightError, match="is lost"):
        kill_the_scheduler(cluster, Cluster(cluster.address, 60.0).through(tasks(scenario, 40), quick))


def kill_the_scheduler(cluster: Processes, outcomes: Generator[Outcome]) -> None:
    """In the middle of what the cluster does."""
    for outcome in outcomes:
        assert outcome.verdict == ("error" if outcome.number == 3 else "pass")
        if outcome.number == 5:
            os.kill(cluster.scheduler.pid, signal.SIGKILL)


def test_nobody_answers(scenario: Path) -> None:
    """A wrong address is a usage error, soon; so is an address that is none."""
    for address in ("tcp://127.0.0.1:9", "nonsense://"):
        with pytest.raises(UsageError, match="no scheduler answers"):
            list(Cluster(address, 1.0).run(tasks(scenario, 1)))


def test_what_lies_outside_the_folder_is_missed_before_anything_flies(scenario: Path) -> None:
    """A scenario that extends a file elsewhere, or a vehicle file elsewhere, cannot be flown by others."""
    check(pack(scenario), "palm80")
    with pytest.raises(UsageError, match="cannot be flown elsewhere"):
        check(pack(scenario), "../mine.vehicle.yaml")
    other = scenario.parent / "deeper" / "other.scenario.yaml"
    other.parent.mkdir()
    other.write_text("extends: ../nest-boxes.scenario.yaml\nname: other\n", encoding="utf-8")
    with pytest.raises(UsageError, match="nest-boxes.scenario.yaml"):
        check(pack(other), "palm80")


@pytest.mark.flight
def test_a_parcel_flies_as_the_folder_does(
    scenario: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unpacked by a worker once, in a place of its own that others cannot write to: the same bytes."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    parcel, (task,) = pack(scenario), tasks(scenario, 1)
    place = place_of(parcel)
    assert place.stat().st_mode & 0o777 == 0o700
    assert (place_of(parcel), pack(place / scenario.name).name) == (place, parcel.name)
    assert fly_parcel(task, parcel).digest == fly_task(task).digest != ""

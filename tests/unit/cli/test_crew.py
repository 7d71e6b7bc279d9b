"""Workers: jobs in processes of their own, and the end of a run whatever happens."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from asflown.cli.crew import Work, fly_jobs
from asflown.cli.jobs import Job, JobResult
from asflown.errors import HarnessFault, UsageError
from asflown.flight.plan import Progress, ProgressCallback
from tests.unit.cli.jobs_made_up import job

SEED_THAT_DIES, SEED_THAT_IS_REFUSED, SEED_WITH_A_FAULT = 13, 17, 19


def work(one: Job, progress: ProgressCallback) -> JobResult:
    """Stands for a flight: tells once how far it is, then ends as its seed says."""
    progress(Progress("flying", float(one.plan.seed), 1.0, 2.0))
    if one.plan.seed == SEED_THAT_DIES:
        os.kill(os.getpid(), signal.SIGKILL)
    if one.plan.seed == SEED_THAT_IS_REFUSED:
        raise UsageError("the folder is full", "Make room")
    if one.plan.seed == SEED_WITH_A_FAULT:
        raise ZeroDivisionError
    return JobResult(one.number, None, f"{os.getpid()}")


def wait_for_ever(one: Job, progress: ProgressCallback) -> JobResult:
    """Stands for a flight that is ended from outside; leaves a file when it was ended in order."""
    try:
        (one.plan.keep / f"begun-{one.number}").touch()
        while True:
            time.sleep(0.01)
    finally:
        (one.plan.keep / f"closed-{one.number}").touch()


def fly(seeds: list[int], workers: int, keep: Path, does: Work = work) -> tuple[dict[int, str], list[float]]:
    """What became of each job by its number, and the progress that was told."""
    told: list[float] = []
    jobs = [job(number, seed, keep) for number, seed in enumerate(seeds)]
    results = fly_jobs(jobs, workers, does, lambda _: None, lambda _, at: told.append(at.flight_time_s))
    return {result.number: result.failure for result in results}, told


def test_one_worker_is_this_process(tmp_path: Path) -> None:
    """Without workers nothing is started, and jobs are flown in order."""
    results, told = fly([3, 1, 2], 1, tmp_path)
    assert (results, told) == (dict.fromkeys(range(3), str(os.getpid())), [3.0, 1.0, 2.0])


def test_every_job_is_flown_once_in_other_processes(tmp_path: Path) -> None:
    """Two workers share five jobs; each job has one result, and progress arrives."""
    results, told = fly([5, 4, 3, 2, 1], 2, tmp_path)
    assert sorted(results) == [0, 1, 2, 3, 4]
    assert sorted(told) == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert str(os.getpid()) not in results.values()
    assert len(set(results.values())) <= 2


def test_a_worker_that_is_killed_costs_its_flight_alone(tmp_path: Path) -> None:
    """The flight says how its process ended; the other flights are flown."""
    results, _ = fly([1, SEED_THAT_DIES, 3, 4], 2, tmp_path)
    assert sorted(results) == [0, 1, 2, 3]
    assert results[1] == "the process that flew it ended with -9. Look whether the machine ran out of memory"


def test_a_users_mistake_in_a_worker_arrives_as_itself(tmp_path: Path) -> None:
    """An error crosses the process border with its class and words."""
    with pytest.raises(UsageError, match="the folder is full. Make room"):
        fly([1, SEED_THAT_IS_REFUSED], 2, tmp_path)


def test_a_fault_in_a_worker_leaves_its_traceback(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker's own fault is one message here, and a traceback in the file."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(HarnessFault, match=r"a fault of asflown itself \(ZeroDivisionError"):
        fly([1, SEED_WITH_A_FAULT], 2, tmp_path)
    assert "ZeroDivisionError" in (tmp_path / ".asflown" / "fault.log").read_text()


RUN = """
import sys
from pathlib import Path
from asflown.cli.main import run_guarded
from tests.unit.cli.test_crew import fly, wait_for_ever

if __name__ == "__main__":
    sys.exit(run_guarded(lambda: bool(fly([1, 2], 2, Path(sys.argv[1]), wait_for_ever))))
"""


@pytest.fixture
def running(tmp_path: Path) -> Callable[[], subprocess.Popen[str]]:
    """Starts a run of two flights that end only from outside, and waits until both are in the air."""

    def start() -> subprocess.Popen[str]:
        program = tmp_path / "run.py"
        program.write_text(RUN)
        environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])}
        command = [sys.executable, str(program), str(tmp_path)]
        run = subprocess.Popen(
            command, env=environment, text=True, stderr=subprocess.PIPE, start_new_session=True
        )
        while len(list(tmp_path.glob("begun-*"))) < 2:
            assert run.poll() is None
            time.sleep(0.02)
        return run

    return start


def alive_in_session(session: int) -> list[str]:
    """Command lines of processes of a session; one that is ending has none any more."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
            words = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode()
            if int(fields[3]) == session and words:
                found.append(words)
    return found


@pytest.mark.wall_time
@pytest.mark.parametrize(
    ("number", "to_group", "code"),
    [(signal.SIGINT, True, 130), (signal.SIGINT, False, 130), (signal.SIGTERM, False, 143)],
    ids=["ctrl-c", "interrupt", "terminate"],
)
def test_a_signal_ends_all_flights_in_order(
    running: Callable[[], subprocess.Popen[str]], tmp_path: Path, number: int, to_group: bool, code: int
) -> None:
    """Ctrl-C, or a signal to the command alone: each flight is closed, no process stays, and no traceback is shown."""
    run = running()
    if to_group:
        os.killpg(run.pid, number)
    else:
        run.send_signal(number)
    _, said = run.communicate(timeout=60)
    assert (run.returncode, "Traceback" in said) == (code, False)
    assert sorted(path.name for path in tmp_path.glob("closed-*")) == ["closed-0", "closed-1"]
    assert alive_in_session(run.pid) == []


def telling(one: Job, progress: ProgressCallback) -> JobResult:
    """Stands for a flight that tells how far it is, and is ended from outside."""
    try:
        (one.plan.keep / f"begun-{one.number}").touch()
        while True:
            time.sleep(0.01)
            progress(Progress("flying", 1.0, 1.0, 2.0))
    finally:
        (one.plan.keep / f"closed-{one.number}").touch()


@pytest.mark.wall_time
def test_a_command_that_is_killed_ends_its_workers(
    running: Callable[[], subprocess.Popen[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever kills the command leaves no flight behind: workers notice that nobody listens, and close."""
    monkeypatch.setattr(sys.modules[__name__], "RUN", RUN.replace("wait_for_ever", "telling"))
    run = running()
    run.kill()
    run.communicate(timeout=60)  # until the last process that shares its standard error has ended
    assert sorted(path.name for path in tmp_path.glob("closed-*")) == ["closed-0", "closed-1"]

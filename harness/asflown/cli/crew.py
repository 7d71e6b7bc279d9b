"""Flies jobs, several at a time in processes of their own, and gives their results as they end.

A worker hears of the end of the run from its parent alone (SIGTERM, once): it leads a process group of its own,
so Ctrl-C reaches the parent only, and a flight that is being brought to its end is not disturbed by a second
signal. A parent that is gone ends its workers, too: nobody reads their progress any more.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess

from asflown.cli.faults import keep_traceback
from asflown.cli.jobs import Job, JobResult
from asflown.errors import AsflownError, ExitCode, HarnessFault
from asflown.flight.plan import Progress, ProgressCallback

Work = Callable[[Job, ProgressCallback], JobResult]
"""Flies one job; must be found by its name from another process."""
Watcher = Callable[[Job, Progress], None]
"""Told how far each flight is."""
Message = Progress | JobResult | AsflownError
"""What a worker tells: how far it is, or what became of its job."""
CLOSING_TIME_S = 30.0
"""How long a worker may take to bring its flight to an end before it is killed."""


def fly_jobs(
    jobs: Sequence[Job], workers: int, work: Work, started: Callable[[Job], None], watch: Watcher
) -> Generator[JobResult]:
    """Flies all jobs; yields each result when it is there, in any order.

    Raises what a flight raised, after all other flights were ended: UsageError, HarnessFault, KeyboardInterrupt,
    SystemExit.
    """
    if min(workers, len(jobs)) == 1:
        for job in jobs:
            started(job)
            yield work(job, partial(watch, job))
        return
    crew = _Crew(list(jobs), work, started, watch)
    try:
        crew.hire(min(workers, len(jobs)))
        yield from crew.results()
    finally:
        crew.dismiss()


@dataclass(slots=True, eq=False)
class _Worker:
    process: BaseProcess
    connection: Connection
    job: Job | None = None


@dataclass(slots=True)
class _Crew:
    """The parent's side: hands jobs out in order, and reads what workers tell."""

    waiting: list[Job]
    work: Work
    started: Callable[[Job], None]
    watch: Watcher
    workers: list[_Worker] = field(default_factory=list)

    def hire(self, number: int) -> None:
        for _ in range(number):
            self.workers.append(_start_worker(self.work))

    def results(self) -> Iterator[JobResult]:
        for worker in self.workers:
            self._hand_out(worker)
        while busy := [worker for worker in self.workers if worker.job is not None]:
            told = wait([worker.connection for worker in busy])
            for worker in busy:
                if worker.connection in told:
                    yield from self._listen(worker)

    def _hand_out(self, worker: _Worker) -> None:
        worker.job = self.waiting.pop(0) if self.waiting else None
        if worker.job is None:
            return
        self.started(worker.job)
        try:
            worker.connection.send(worker.job)
        except OSError as error:
            raise HarnessFault("a worker ended while it had nothing to do", "Please report this") from error

    def _listen(self, worker: _Worker) -> Iterator[JobResult]:
        assert worker.job is not None
        try:
            message: Message = worker.connection.recv()
        except (EOFError, OSError):
            yield self._replace(worker, worker.job)
            return
        if isinstance(message, Progress):
            self.watch(worker.job, message)
        elif isinstance(message, JobResult):
            self._hand_out(worker)
            yield message
        else:
            raise message

    def _replace(self, worker: _Worker, job: Job) -> JobResult:
        """A worker died in the middle of a flight: the flight is lost, the run goes on with a new one."""
        worker.process.join(CLOSING_TIME_S)
        worker.connection.close()
        self.workers.remove(worker)
        if self.waiting:
            self.hire(1)
            self._hand_out(self.workers[-1])
        how = f"the process that flew it ended with {worker.process.exitcode}"
        return JobResult(job.number, None, f"{how}. Look whether the machine ran out of memory")

    def dismiss(self) -> None:
        """Ends all workers, busy ones by bringing their flights to an end; leaves no process behind."""
        for worker in self.workers:
            if worker.job is None:
                with suppress(OSError):
                    worker.connection.send(None)
            else:
                worker.process.terminate()
        try:
            for worker in self.workers:
                worker.process.join(CLOSING_TIME_S)
        finally:
            for worker in self.workers:
                worker.process.kill()
                worker.process.join()
                worker.connection.close()


def _start_worker(work: Work) -> _Worker:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, work), name="asflown worker")
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        process.start()  # deaf to Ctrl-C until it leads its own process group
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        theirs.close()
    return _Worker(process, ours)


def _serve(connection: Connection, work: Work) -> None:
    """The worker's side: flies what it is handed until there is no more."""
    os.setpgid(0, 0)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(ExitCode.TERMINATED))
    signal.signal(signal.SIGINT, lambda *_: None)  # not SIG_IGN, which scripts would inherit
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})

    def tell(message: Message) -> None:
        try:
            connection.send(message)
        except OSError:
            os.kill(os.getpid(), signal.SIGTERM)  # the parent is gone: end the flight in order

    with suppress(EOFError, OSError):
        while (job := connection.recv()) is not None:
            tell(_answer(work, job, tell))


def _answer(work: Work, job: Job, tell: Callable[[Message], None]) -> Message:
    try:
        return work(job, tell)
    except AsflownError as error:
        return error
    except Exception as error:  # noqa: BLE001  the last resort of this process
        return HarnessFault(*keep_traceback(error))

"""Works through tasks, several at a time in processes of their own, and gives their results as they end.

A worker hears of the end of the run from its parent alone (SIGTERM, once): it leads a process group of its own,
so Ctrl-C reaches the parent only, and a flight that is being brought to its end is not disturbed by a second
signal. A parent that is gone, however it ended, ends its workers, too: nobody reads their results any more.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Generic, TypeVar

from asflown.clock.kernel import ignored
from asflown.errors import AsflownError, FlightError, HarnessFault
from asflown.flight import private_place
from asflown.flight.plan import unwatched
from asflown.report.faults import keep_traceback, out_of_memory
from asflown.report.orderly_end import dropped_signals_again, unwind

Task = TypeVar("Task")
Result = TypeVar("Result")
Tell = Callable[[Any], None]
"""What work calls to tell how far it is."""
Message = tuple[str, Any]
"""`told` and how far it is, `done` and the result, or `raised` and the error."""
CLOSING_TIME_S = 30.0
"""How long a worker may take to bring its task to an end before it is killed."""


def work_through(
    tasks: Sequence[Task],
    workers: int,
    work: Callable[[Task, Tell], Result],
    *,
    lost: Callable[[Task, str], Result],
    started: Callable[[Task], None] = lambda task: None,
    watch: Callable[[Task, Any], None] | None = None,
) -> Generator[Result]:
    """Does `work` for all tasks; yields each result when it is there, in any order.

    `work` must be found by its name from another process; `lost` makes the result of a task whose process died, and is
    told how. With one worker everything is done in this process. Without `watch`, work is given `unwatched`. Raises
    what work raised, after all other tasks were ended: AsflownError, KeyboardInterrupt, SystemExit.
    """
    if min(workers, len(tasks)) == 1:
        for task in tasks:
            started(task)
            yield work(task, unwatched if watch is None else partial(watch, task))
        return
    crew = _Crew(list(tasks), work, lost, started, watch)
    try:
        crew.hire(min(workers, len(tasks)))
        yield from crew.results()
    finally:
        crew.dismiss()


@dataclass(slots=True, eq=False)
class _Worker(Generic[Task]):
    process: BaseProcess
    connection: Connection
    task: Task | None = None


@dataclass(slots=True)
class _Crew(Generic[Task, Result]):
    """The parent's side: hands tasks out in order, and reads what workers tell."""

    waiting: list[Task]
    work: Callable[[Task, Tell], Result]
    lost: Callable[[Task, str], Result]
    started: Callable[[Task], None]
    watch: Callable[[Task, Any], None] | None
    workers: list[_Worker[Task]] = field(default_factory=list)

    def hire(self, number: int) -> None:
        for _ in range(number):
            self.workers.append(_start_worker(self.work, watched=self.watch is not None))

    def results(self) -> Iterator[Result]:
        for worker in self.workers:
            self._hand_out(worker)
        while busy := [worker for worker in self.workers if worker.task is not None]:
            told = wait([worker.connection for worker in busy])
            for worker in busy:
                if worker.connection in told:
                    yield from self._listen(worker)

    def _hand_out(self, worker: _Worker[Task]) -> None:
        worker.task = self.waiting.pop(0) if self.waiting else None
        if worker.task is None:
            return
        self.started(worker.task)
        try:
            worker.connection.send(worker.task)
        except OSError as error:
            raise HarnessFault("a worker ended while it had nothing to do", "Please report this") from error

    def _listen(self, worker: _Worker[Task]) -> Iterator[Result]:
        assert worker.task is not None
        try:
            kind, what = worker.connection.recv()
        except (EOFError, OSError):
            yield self._replace(worker, worker.task)
            return
        if kind == "told":
            assert self.watch is not None
            self.watch(worker.task, what)
        elif kind == "done":
            self._hand_out(worker)
            yield what
        else:
            raise what

    def _replace(self, worker: _Worker[Task], task: Task) -> Result:
        """A worker died in the middle of a task: that one is lost, the others go on with a new worker."""
        worker.process.join(CLOSING_TIME_S)
        worker.connection.close()
        self.workers.remove(worker)
        private_place.sweep()  # it could not, and no later flight may do it
        if self.waiting:
            self.hire(1)
            self._hand_out(self.workers[-1])
        how = f"the process that flew it ended with {worker.process.exitcode}"
        return self.lost(task, f"{how}. Look whether the machine ran out of memory")

    def dismiss(self) -> None:
        """Ends all workers, busy ones by bringing their tasks to an end; leaves no process behind."""
        for worker in self.workers:
            if worker.task is None:
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


def _start_worker(work: Callable[[Task, Tell], Result], *, watched: bool) -> _Worker[Task]:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, work, watched), name="asflown worker")
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        process.start()  # deaf to Ctrl-C until it leads its own process group
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        theirs.close()
    return _Worker(process, ours)


def _serve(connection: Connection, work: Callable[[Task, Tell], Result], watched: bool) -> None:
    """The worker's side: does what it is handed until there is no more."""
    os.setpgid(0, 0)
    signal.signal(signal.SIGTERM, unwind)
    signal.signal(signal.SIGINT, ignored)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()

    def tell(message: Message) -> None:
        try:
            connection.send(message)
        except OSError:
            os.kill(os.getpid(), signal.SIGTERM)  # the parent is gone: end the task in order

    with dropped_signals_again(), suppress(EOFError, OSError):
        while (task := connection.recv()) is not None:
            tell(_answer(work, task, (lambda told: tell(("told", told))) if watched else unwatched))


def _end_with_parent() -> None:
    """Ends the task in order as soon as the parent is gone, also by a SIGKILL that it cannot pass on."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os.kill(os.getpid(), signal.SIGTERM)


def _answer(work: Callable[[Task, Tell], Result], task: Task, tell: Tell) -> Message:
    try:
        return "done", work(task, tell)
    except AsflownError as error:
        return "raised", error
    except Exception as error:  # noqa: BLE001  the last resort of this process
        if out_of_memory(error):
            return "raised", FlightError("a worker ran out of memory", "Free some, or let fewer work at once")
        return "raised", HarnessFault(*keep_traceback(error))

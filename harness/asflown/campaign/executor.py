"""Who flies a campaign: this process, several processes of this machine, or a cluster."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from typing import Protocol

from asflown.campaign.crew import work_through
from asflown.campaign.flying import Outcome, Task, fly_task, in_words, lost
from asflown.campaign.showing import moment_of
from asflown.clock.wall import Stopwatch
from asflown.flight.plan import Progress
from asflown.report.progress import Board, SilentBoard


class Executor(Protocol):
    """Flies tasks and gives outcomes as they are there, in any order, each once."""

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """Closing the generator ends what still flies."""


@dataclass(frozen=True, slots=True)
class Local:
    """`workers` processes; one: this process. A process that dies loses its flight alone, which is an `error`."""

    workers: int = 1
    board: Board = field(default_factory=SilentBoard)
    """Shows each flight that is in the air."""

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """See Executor."""
        if not tasks:
            return
        shown = self.board

        def started(task: Task) -> None:
            shown.begin(task.drawn.number, task.title, Stopwatch().seconds)

        def watch(task: Task, at: Progress) -> None:
            shown.move(task.drawn.number, moment_of(at))

        shown.expect(len(tasks))
        watched = watch if shown.watches else None
        flown = work_through(tasks, self.workers, fly_task, lost=lost, started=started, watch=watched)
        with closing(flown) as outcomes:
            for outcome in outcomes:
                shown.end(outcome.number, in_words(outcome), outcome.verdict)
                yield outcome

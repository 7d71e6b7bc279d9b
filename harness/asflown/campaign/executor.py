"""Who flies a campaign: this process, several processes of this machine, or a cluster."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Protocol

from asflown.campaign.crew import work_through
from asflown.campaign.flying import Outcome, Task, fly_task, lost


class Executor(Protocol):
    """Flies tasks and gives outcomes as they are there, in any order, each once."""

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """Closing the generator ends what still flies."""


@dataclass(frozen=True, slots=True)
class Local:
    """`workers` processes; one: this process. A process that dies loses its flight alone, which is an `error`."""

    workers: int = 1

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """See Executor."""
        if tasks:
            yield from work_through(tasks, self.workers, fly_task, lost=lost)

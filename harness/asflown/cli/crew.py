"""Flies the jobs of a command, several at a time."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence

from asflown.campaign.crew import work_through
from asflown.cli.jobs import Job, JobResult
from asflown.flight.plan import Progress, ProgressCallback

Work = Callable[[Job, ProgressCallback], JobResult]
"""Flies one job; must be found by its name from another process."""
Watcher = Callable[[Job, Progress], None]
"""Told how far each flight is."""


def fly_jobs(
    jobs: Sequence[Job], workers: int, work: Work, started: Callable[[Job], None], watch: Watcher | None
) -> Generator[JobResult]:
    """Flies all jobs; yields each result when it is there, in any order. How far they are is told to `watch`, if any.

    Raises what a flight raised, after all other flights were ended: UsageError, HarnessFault, KeyboardInterrupt,
    SystemExit.
    """
    return work_through(jobs, workers, work, lost=_lost, started=started, watch=watch)


def _lost(job: Job, how: str) -> JobResult:
    return JobResult(job.number, None, how)

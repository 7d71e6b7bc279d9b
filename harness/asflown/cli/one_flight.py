"""One flight, flown and graded: what a worker does with a job."""

from __future__ import annotations

from asflown.cli.jobs import Job, JobResult
from asflown.errors import FlightError
from asflown.flight.conductor import fly
from asflown.flight.plan import ProgressCallback
from asflown.grade.flight import grade_flight
from asflown.report.flown import Flown

GRADED_OUTCOMES = frozenset({"completed", "script-failed"})
"""How a flight must have ended to say something about the script."""


def fly_and_grade(job: Job, progress: ProgressCallback) -> JobResult:
    """Flies one job and grades what was recorded.

    Raises UsageError for what the user must mend before anything can fly, and HarnessFault.
    """
    try:
        result = fly(job.plan, progress)
    except FlightError as error:
        return JobResult(job.number, None, str(error))
    grade = None
    if result.manifest.outcome in GRADED_OUTCOMES:
        grade = grade_flight(result.folder, job.plan.loaded.scenario)
    return JobResult(job.number, Flown(result.manifest, grade, result.folder))

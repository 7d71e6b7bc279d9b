"""One flight, flown and graded: what a worker does with a job."""

from __future__ import annotations

from asflown.campaign.showing import seldom
from asflown.cli.jobs import Job, JobResult
from asflown.errors import FlightError
from asflown.flight.conductor import fly
from asflown.flight.plan import ProgressCallback
from asflown.grade.grade import grade_flight, write_grade
from asflown.report.flown import Flown


def fly_and_grade(job: Job, progress: ProgressCallback) -> JobResult:
    """Flies one job, grades what was recorded, and leaves the grade in the flight's folder.

    Raises UsageError for what the user must mend before anything can fly, and HarnessFault.
    """
    try:
        result = fly(job.plan, seldom(progress))
    except FlightError as error:
        return JobResult(job.number, None, str(error))
    grade = grade_flight(result.folder, job.plan.loaded.scenario)
    write_grade(result.folder, grade)
    return JobResult(job.number, Flown(result.manifest, grade, result.folder))

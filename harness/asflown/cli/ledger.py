"""Results as they come in, and what they add up to at any moment, in the order in which flights were asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from asflown.cli.jobs import Job, JobResult
from asflown.cli.planning import Subject
from asflown.cli.prove import Proof, compare
from asflown.grade.tolerances import measure_tolerances
from asflown.grade.verdict import Verdict, judge_flights, worst
from asflown.report import words
from asflown.report.flown import Flown, ScenarioOutcome


class Ledger:
    """Knows every job and what became of it."""

    def __init__(self, subjects: Sequence[Subject], jobs: Sequence[Job]) -> None:
        self._subjects, self._jobs = subjects, jobs
        self._results: dict[int, JobResult] = {}
        self._earlier: dict[int, list[JobResult]] = {}

    def enter(self, result: JobResult) -> None:
        """Notes what became of a job; what became of it before is kept as an earlier attempt."""
        if (before := self._results.get(result.number)) is not None:
            self._earlier.setdefault(result.number, []).append(before)
        self._results[result.number] = result

    def errors(self) -> tuple[Job, ...]:
        """Jobs that ended in an error, in the order in which they were asked for."""
        ended = [(job, self._results.get(job.number)) for job in self._jobs]
        return tuple(job for job, result in ended if result is not None and result.is_error)

    def outcomes(self) -> tuple[ScenarioOutcome, ...]:
        """One outcome for each scenario and vehicle; flights without a result are named in it."""
        return tuple(self._outcome(index) for index in range(len(self._subjects)))

    def _outcome(self, index: int) -> ScenarioOutcome:
        subject = self._subjects[index]
        jobs = [job for job in self._jobs if job.subject == index]
        flights = [flown for job in jobs if not job.is_copy and (flown := self._flown(job)) is not None]
        missing = [job for job in jobs if self._flown(job) is None]
        results = [result for job in missing if (result := self._results.get(job.number)) is not None]
        earlier = [one for job in jobs for one in self._earlier.get(job.number, ())]
        verdict = _with_proof(_judged(subject, flights, missing), self._proof(jobs))
        again = f"; flown again after an error: {words.count(len(earlier), 'flight')}" if earlier else ""
        return ScenarioOutcome(
            name=subject.loaded.scenario.name,
            vehicle=subject.title,
            verdict=verdict.word,
            statement=verdict.statement + again,
            flights=tuple(flights),
            judged_by_share=subject.loaded.scenario.judge != "every-flight",
            not_flown=tuple(job.plan.seed for job in missing),
            confidence=verdict.confidence,
            would_decide=verdict.would_decide,
            tolerances=measure_tolerances(
                [(one.judged, one.grade) for one in flights if one.grade is not None],
                subject.loaded.scenario.judge,
            ),
            failures=tuple(f"seed {self._jobs[one.number].plan.seed}: {one.failure}" for one in results),
            flown_again=tuple(f"seed {self._jobs[one.number].plan.seed}: {one.in_words}" for one in earlier),
        )

    def _flown(self, job: Job) -> Flown | None:
        result = self._results.get(job.number)
        return None if result is None else result.flown

    def _proof(self, jobs: Sequence[Job]) -> Proof | None:
        """What flying twice showed; None when it was not asked for, or is not known yet."""
        copy = next((job for job in jobs if job.is_copy), None)
        pair = [] if copy is None else [self._flown(jobs[0]), self._flown(copy)]
        flown = [one for one in pair if one is not None]
        return compare(*flown) if len(flown) == 2 else None


def _judged(subject: Subject, flights: Sequence[Flown], missing: Sequence[Job]) -> Verdict:
    """The verdict on what was flown; flights without a result make it an error unless it fails already."""
    verdict = judge_flights([one.judged for one in flights], subject.loaded.scenario.judge)
    if not missing:
        return verdict
    statement = f"{verdict.statement}; {words.count(len(missing), 'flight')} without a result"
    return replace(verdict, word=worst((verdict.word, "error")), statement=statement)


def _with_proof(verdict: Verdict, proof: Proof | None) -> Verdict:
    """A flight that was to be proved and was not leaves the evidence undecided, unless something is worse."""
    if proof is None:
        return verdict
    word = verdict.word if proof.same else worst((verdict.word, "inconclusive"))
    return replace(verdict, word=word, statement=f"{verdict.statement}; {proof.says}")

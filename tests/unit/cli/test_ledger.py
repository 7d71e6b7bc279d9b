"""Results as they come in, and what they add up to at any moment."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest

from asflown.cli.jobs import Job, JobResult
from asflown.cli.ledger import Ledger
from asflown.cli.planning import Subject, jobs_for
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.scenario.file import load_scenario
from asflown.scenario.vehicle_file import load_vehicle
from tests.unit.cli.jobs_made_up import scenario_file
from tests.unit.report.builders import FAILED, PASSED, flown, grade

UNDECIDED_GRADE = grade(verdict="inconclusive", reason="too few samples")


class Run:
    """A ledger of one scenario with its jobs."""

    def __init__(self, folder: Path, *seeds: int, prove: bool = False) -> None:
        subject = Subject(load_scenario(scenario_file(folder)), load_vehicle("palm80"), None, seeds)
        self.jobs: tuple[Job, ...] = jobs_for((subject,), "any", folder, prove=prove)
        self.ledger = Ledger((subject,), self.jobs)

    def enter(self, number: int, graded: Any = PASSED, **changes: Any) -> None:
        """Enters a flight that ended with this grade."""
        made: Flown = flown(graded, seed=self.jobs[number].plan.seed, **changes)
        self.ledger.enter(JobResult(number, made))

    @property
    def outcome(self) -> ScenarioOutcome:
        """What the only scenario adds up to."""
        (outcome,) = self.ledger.outcomes()
        return outcome


def test_before_the_first_result_nothing_passed(tmp_path: Path) -> None:
    """A run that is killed at once leaves a report with an error for each flight."""
    outcome = Run(tmp_path, 1, 2).outcome
    assert (outcome.verdict, outcome.not_flown) == ("error", (1, 2))


def test_a_run_that_is_not_over_has_not_passed(tmp_path: Path) -> None:
    """Flights without a result make an error of what passed so far."""
    run = Run(tmp_path, 1, 2)
    run.enter(0)
    assert (run.outcome.verdict, run.outcome.statement) == (
        "error",
        "1 of 1 flight passed; 1 flight without a result",
    )


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))), ids=str)
def test_the_order_of_results_does_not_show(tmp_path: Path, order: tuple[int, ...]) -> None:
    """Whichever flight ends first, the report has them in the order in which they were asked for."""
    run = Run(tmp_path, 5, 3, 4)
    for number in order:
        run.enter(number)
    assert [one.manifest.seed for one in run.outcome.flights] == [5, 3, 4]
    assert run.outcome.verdict == "pass"


@pytest.mark.parametrize(
    ("first", "second", "verdict"),
    [
        (FAILED, None, "fail"),
        (FAILED, UNDECIDED_GRADE, "fail"),
        (None, UNDECIDED_GRADE, "error"),
        (PASSED, UNDECIDED_GRADE, "inconclusive"),
    ],
    ids=["fail over error", "fail over inconclusive", "error over inconclusive", "inconclusive over pass"],
)
def test_the_worst_flight_decides(tmp_path: Path, first: Any, second: Any, verdict: str) -> None:
    """Fail outranks error, which outranks inconclusive, which outranks pass."""
    run = Run(tmp_path, 1, 2)
    run.enter(0, first)
    run.enter(1, second)
    assert run.outcome.verdict == verdict


def test_a_flight_that_left_no_folder_is_told_with_its_seed(tmp_path: Path) -> None:
    """What kept a flight from beginning is in the outcome, not lost."""
    run = Run(tmp_path, 1, 2)
    run.enter(0)
    run.ledger.enter(JobResult(1, None, "port 14560 is taken"))
    assert (run.outcome.verdict, run.outcome.failures) == ("error", ("seed 2: port 14560 is taken",))


def test_a_copy_proves_and_counts_in_no_verdict(tmp_path: Path) -> None:
    """The flight flown again is compared and then left out: equal seeds are copies, not samples."""
    run = Run(tmp_path, 1, prove=True)
    run.enter(0)
    run.enter(1)
    assert len(run.outcome.flights) == 1
    assert (run.outcome.verdict, run.outcome.statement) == (
        "pass",
        "1 of 1 flight passed; proved: same bytes twice",
    )


@pytest.mark.parametrize(
    ("graded", "verdict"), [(PASSED, "inconclusive"), (FAILED, "fail")], ids=["pass", "fail"]
)
def test_a_proof_that_failed_leaves_the_evidence_undecided(tmp_path: Path, graded: Any, verdict: str) -> None:
    """What cannot be repeated does not pass; what failed still fails."""
    run = Run(tmp_path, 1, prove=True)
    run.enter(0, graded)
    run.enter(1, graded, clock={"kind": "paced", "deterministic": False, "reason": "python -I"})
    assert (run.outcome.verdict, run.outcome.statement.rpartition("; ")[2]) == (
        verdict,
        "not proved: python -I",
    )

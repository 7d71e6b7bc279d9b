"""Error rates of verdicts and limits over synthetic fleets: a smaller set of those of `verdict_coverage`."""

from __future__ import annotations

import pytest

from tests.benchmarks.verdict_coverage import Case, all_cases, run

FLEETS = 200
QUICK = [case for case in all_cases() if "bootstrap" not in case.name][::3]
PROMISED = [case for case in QUICK if not case.is_warning]
WARNINGS = [case for case in all_cases() if case.is_warning]


@pytest.mark.parametrize("case", PROMISED, ids=lambda case: case.name)
def test_stated_error_rates_are_kept(case: Case) -> None:
    """Fleets at the edge are judged wrongly no more often than stated, as far as 200 of them can tell."""
    assert run(case, FLEETS).kept


@pytest.mark.parametrize("case", WARNINGS, ids=lambda case: case.name)
def test_the_count_of_wrong_verdicts_can_show_a_broken_promise(case: Case) -> None:
    """The rows that are no promises are found to be wrong too often: the simulation can fail."""
    assert not run(case, FLEETS).kept

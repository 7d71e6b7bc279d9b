"""A small selection of the fault campaign (tests/benchmarks/fault_campaign.py), with fixed seeds."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.flights.strikes import Strike, struck_run

STRIKES = (
    Strike("harness", "SIGKILL", "flight"),
    Strike("harness", "SIGTERM", "flight"),
    Strike("script", "SIGKILL", "flight"),
    Strike("child", "SIGSTOP, SIGCONT", "flight"),
)


@pytest.mark.flight
@pytest.mark.parametrize("what", STRIKES, ids=lambda what: f"{what.part} {what.fault}")
def test_a_run_that_is_struck_leaves_the_truth_and_nothing_else(tmp_path: Path, what: Strike) -> None:
    """Captures can be read, the manifest is honest, no process and no lock is left, and the next run passes."""
    found = struck_run(tmp_path, what, random.Random(1))
    assert found.wrong == []
    assert found.after.damaged == 0

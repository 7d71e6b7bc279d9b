"""A campaign on disk: nothing done is lost or counted twice, whatever was cut short."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.campaign.plan import drawn
from asflown.campaign.store import PLAN, RESULTS, Store
from asflown.errors import FolderProblem
from tests.unit.campaign.made_up import campaign, outcome

FLIGHTS = [outcome(number, 1.0, 0.5) for number in range(5)]


def filled(folder: Path) -> Store:
    """A store with five flights."""
    store = Store(folder)
    store.begin({"name": "x"}, drawn(campaign(5), "x"))
    for one in FLIGHTS:
        store.enter(one)
    store.close()
    return store


def test_what_is_done_stays_done(tmp_path: Path) -> None:
    """Another process finds the plan and the flights."""
    filled(tmp_path)
    again = Store(tmp_path)
    again.begin({"name": "x"}, drawn(campaign(5), "x"))
    assert list(again.done().values()) == FLIGHTS


def test_another_plan_is_refused(tmp_path: Path) -> None:
    """Flights of two plans never meet in one folder."""
    filled(tmp_path)
    with pytest.raises(FolderProblem, match="another campaign"):
        Store(tmp_path).begin({"name": "x"}, drawn(campaign(6), "x"))


def test_every_prefix_of_the_results_can_be_gone_on_from(tmp_path: Path) -> None:
    """A power cut at any byte loses the line that was being written, and nothing else."""
    filled(tmp_path)
    file = tmp_path / RESULTS
    whole = file.read_bytes()
    for length in range(0, len(whole) + 1, 7):
        file.write_bytes(whole[:length])
        store = Store(tmp_path)
        before = store.done()
        assert list(before.values()) == FLIGHTS[: len(before)]
        store.enter(outcome(99, 2.0, 0.1))
        store.close()
        assert set(store.done()) == {*before, 99}


def test_the_first_line_of_a_flight_counts(tmp_path: Path) -> None:
    """A flight that was flown twice, because its worker was thought lost, is one flight."""
    store = filled(tmp_path)
    store.enter(outcome(2, 9.0, -0.5))
    assert store.done()[2] == FLIGHTS[2]
    store.close()


def test_a_folder_without_a_plan_is_no_campaign(tmp_path: Path) -> None:
    """Nor is one with half of a plan."""
    with pytest.raises(FolderProblem, match="is no campaign"):
        Store(tmp_path).plan()
    (tmp_path / PLAN).write_text('{"flights": [')
    with pytest.raises(FolderProblem, match="is no campaign"):
        Store(tmp_path).plan()

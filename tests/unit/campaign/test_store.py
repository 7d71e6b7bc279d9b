"""A campaign on disk: nothing done is lost or counted twice, whatever was cut short."""

from __future__ import annotations

import subprocess
import sys
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


def test_what_could_not_be_flown_is_replaced_by_what_could(tmp_path: Path) -> None:
    """The first verdict counts; an `error` is none."""
    store = Store(tmp_path)
    store.begin({"name": "x"}, drawn(campaign(5), "x"))
    first, verdict, later = outcome(2, 1.0, None), outcome(2, 1.0, 0.5), outcome(2, 1.0, None)
    store.enter(first)
    assert store.done() == {2: first}
    store.enter(verdict)
    store.enter(later)
    assert store.done() == {2: verdict}
    store.close()


def test_one_process_at_a_time_flies_a_campaign(tmp_path: Path) -> None:
    """Another one that begins it is refused until the first closes it."""
    store, other = filled(tmp_path), Store(tmp_path)
    store.begin({"name": "x"}, drawn(campaign(5), "x"))
    with pytest.raises(FolderProblem, match="another process flies"):
        other.begin({"name": "x"}, drawn(campaign(5), "x"))
    store.close()
    other.begin({"name": "x"}, drawn(campaign(5), "x"))
    other.close()


FILLS_UP = """\
import resource, signal, sys
from pathlib import Path
from asflown.campaign.store import Store
from asflown.errors import FolderProblem
from tests.unit.campaign.made_up import outcome
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
store = Store(Path(sys.argv[1]))
store.enter(outcome(5, 1.0, 0.5))
size = (Path(sys.argv[1]) / "results.jsonl").stat().st_size
resource.setrlimit(resource.RLIMIT_FSIZE, (size + 50, resource.RLIM_INFINITY))
try:
    store.enter(outcome(6, 1.0, 0.5))
except FolderProblem as error:
    print(error)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
store.enter(outcome(7, 1.0, 0.5))
"""


def test_a_line_that_finds_no_room_leaves_nothing_behind(tmp_path: Path) -> None:
    """The system takes a part of the line and then no more: that is an error, and the next line stands alone."""
    filled(tmp_path)
    argv = [sys.executable, "-c", FILLS_UP, str(tmp_path)]
    done = subprocess.run(argv, capture_output=True, text=True, check=True)
    assert "cannot be written (File too large)" in done.stdout
    assert sorted(Store(tmp_path).done()) == [0, 1, 2, 3, 4, 5, 7]
    assert len((tmp_path / RESULTS).read_text().splitlines()) == 7

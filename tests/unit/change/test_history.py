"""The history: entered flight by flight, made anew from folders, asked for trends, shifts and flakiness."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.change import history_store
from asflown.change.history_query import flaky, kinds, kinds_named, measure_names, trend
from asflown.change.history_store import FILE_NAME, History
from asflown.change.history_trend import trends
from asflown.errors import FolderProblem, UsageError
from tests.unit.change.stored import rewrite, store_flight


def folders_known(history: History) -> list[str]:
    """The names of all flights in the index."""
    return [name for (name,) in history.connection.execute("SELECT folder FROM flight ORDER BY folder")]


def test_an_entered_flight_is_there_once(tmp_path: Path) -> None:
    """Entering the same flight again replaces what was known of it."""
    folder = store_flight(tmp_path, 1, values={"miss": 0.2})
    with History(tmp_path) as history:
        history.enter(folder)
        history.enter(folder)
        assert folders_known(history) == ["flight-00001"]
        assert history.connection.execute("SELECT count(*) FROM measure").fetchone() == (1,)


def test_catching_up_finds_what_nobody_entered(tmp_path: Path) -> None:
    """Flights of killed runs come in, changed ones again, and those whose folder is gone go."""
    first, second = store_flight(tmp_path, 1), store_flight(tmp_path, 2)
    with History(tmp_path) as history:
        assert history.catch_up().entered == 2
        assert history.catch_up().entered == 0
        rewrite(first, outcome="interrupted")
        (second / "flight.json").unlink()
        (second / "grade.json").unlink()
        second.rmdir()
        caught = history.catch_up()
        assert (caught.entered, caught.removed) == (1, 1)
        assert kinds(history)[0].errors == 1


def test_a_folder_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    """One broken manifest does not keep the others out."""
    store_flight(tmp_path, 1)
    (store_flight(tmp_path, 2) / "flight.json").write_text("{")
    with History(tmp_path) as history:
        assert history.catch_up().unreadable == ("flight-00002",)
        assert folders_known(history) == ["flight-00001"]


def test_an_index_of_another_version_is_made_anew(tmp_path: Path) -> None:
    """What an older or newer asflown has kept is dropped: the folders are the truth."""
    store_flight(tmp_path, 1)
    with History(tmp_path) as history:
        history.catch_up()
        history.connection.execute("PRAGMA user_version = 99")
    with History(tmp_path) as history:
        assert folders_known(history) == []
        assert history.catch_up().entered == 1


def test_a_file_that_is_no_index_is_a_users_problem(tmp_path: Path) -> None:
    """The message says that it may be deleted."""
    (tmp_path / FILE_NAME).write_text("no database at all, but some text of sufficient length" * 40)
    with pytest.raises(FolderProblem, match="Delete it"):
        History(tmp_path)


def test_an_index_that_was_refused_is_not_held(tmp_path: Path) -> None:
    """Whoever makes a refused index again, in the same process too, finds it free."""
    with History(tmp_path) as history:
        history.connection.execute("CREATE TABLE more (a)")
    with pytest.raises(FolderProblem) as refused:
        History(tmp_path)
    another = sqlite3.connect(tmp_path / FILE_NAME, timeout=0)
    another.execute("PRAGMA locking_mode = EXCLUSIVE")
    another.execute("BEGIN EXCLUSIVE")
    another.close()
    assert "Delete it" in refused.value.remedy


def test_an_index_in_use_is_not_to_be_deleted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where another process writes for too long the remedy is to wait."""
    monkeypatch.setattr(history_store, "BUSY_TIME_OUT_MS", 0)
    with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as another:
        another.execute("CREATE TABLE other (a)")
        another.execute("BEGIN EXCLUSIVE")
        with pytest.raises(FolderProblem, match="try again when that has ended"):
            History(tmp_path)


def test_a_flight_that_fails_half_way_is_not_there(tmp_path: Path) -> None:
    """A transaction that is broken off leaves nothing of the flight."""
    folder = store_flight(tmp_path, 1, values={"miss": 0.2})
    with History(tmp_path) as history:
        history.connection.execute(
            "CREATE TRIGGER t BEFORE INSERT ON measure BEGIN SELECT RAISE(ABORT, 'full'); END"
        )
        with pytest.raises(FolderProblem, match="full"):
            history.enter(folder)
        assert folders_known(history) == []


def test_kinds_are_counted_by_how_flights_ended(tmp_path: Path) -> None:
    """Passed, failed and not carried out are told apart, and the newest verdict is named."""
    for number, verdict in enumerate(("pass", "fail", "pass")):
        store_flight(tmp_path, number, verdict=verdict)  # type: ignore[arg-type]
    store_flight(tmp_path, 9, release="r2", outcome="error")
    with History(tmp_path) as history:
        history.catch_up()
        one, other = kinds(history)
        assert (one.passed, one.failed, one.errors, one.last_verdict) == (2, 1, 0, "pass")
        assert (other.kind.release, other.errors) == ("r2", 1)


@pytest.mark.parametrize("word", ["hop", "palm80", "palm80@r1", "hop/palm80", "hop/palm80@r1"])
def test_a_selector_names_kinds(tmp_path: Path, word: str) -> None:
    """Scenario, vehicle and release may be left out."""
    store_flight(tmp_path, 1)
    with History(tmp_path) as history:
        history.catch_up()
        assert len(kinds_named(history, word)) == 1


def test_a_selector_of_nothing_says_what_there_is(tmp_path: Path) -> None:
    """The message lists the kinds that are known."""
    store_flight(tmp_path, 1)
    with History(tmp_path) as history:
        history.catch_up()
        with pytest.raises(UsageError, match="hop/palm80@r1"):
            kinds_named(history, "hop/palm80@r9")


def test_copies_are_no_points_of_a_trend(tmp_path: Path) -> None:
    """A flight in lockstep flown again with equal seed and result adds nothing; paced, every flight counts."""
    for number, clock in enumerate(("lockstep", "lockstep", "paced", "paced")):
        store_flight(tmp_path, number, seed=1, clock=clock, values={"miss": 0.5})  # type: ignore[arg-type]
    with History(tmp_path) as history:
        history.catch_up()
        lengths = [
            len(trend(history, one.kind, measure_names(history, one.kind)[0])) for one in kinds(history)
        ]
        assert lengths == [1, 2]


def test_a_shift_is_found_with_what_changed_beside_it(tmp_path: Path) -> None:
    """The first flight after the shift is named, and that the script changed with it."""
    for number in range(24):
        moved = number >= 14
        miss = 0.3 + 0.01 * (number * 7 % 5) + (0.3 if moved else 0.0)
        values = {"miss": miss, "calm": 0.1 + 0.01 * (number * 3 % 5)}
        store_flight(tmp_path, number, values=values, script="new" if moved else "old")
    with History(tmp_path) as history:
        history.catch_up()
        calm, miss_trend = trends(history, kinds(history)[0].kind)
    assert calm.shift is None
    assert miss_trend.shift is not None
    assert miss_trend.shift.first.folder == "flight-00014"
    assert miss_trend.shift.inputs_changed == ("script",)


def test_flaky_is_what_passes_and_fails_with_equal_inputs(tmp_path: Path) -> None:
    """Failures before the script was mended do not count; the rate has a Clopper-Pearson interval."""
    for number in range(5):
        store_flight(tmp_path, number, verdict="fail", script="old")
    for number in range(5, 15):
        store_flight(tmp_path, number, verdict="fail" if number in {7, 9} else "pass", script="new")
    with History(tmp_path) as history:
        history.catch_up()
        (one,) = flaky(history)
    assert (one.flights, one.failed, one.failing_seeds) == (10, 2, (7, 9))
    assert (one.rate_low, one.rate_high) == pytest.approx((0.0252, 0.5561), abs=1e-4)


def test_equal_seeds_with_unequal_bytes_are_not_repeatable(tmp_path: Path) -> None:
    """In lockstep that is a fault and is said, even if both flights passed."""
    for number, digest in enumerate(("aa", "bb")):
        store_flight(tmp_path, number, seed=1, digest=digest)
    with History(tmp_path) as history:
        history.catch_up()
        (one,) = flaky(history)
    assert one.not_repeatable
    assert one.failed == 0


@settings(max_examples=6, deadline=None)
@given(order=st.permutations(range(6)))
def test_the_order_of_entering_does_not_matter(
    tmp_path_factory: pytest.TempPathFactory, order: list[int]
) -> None:
    """Whoever entered first, the same flights give the same history."""
    store = tmp_path_factory.mktemp("flights")
    made = [store_flight(store, number, values={"miss": number / 10}) for number in range(6)]
    with History(store) as history:
        for number in order:
            history.enter(made[number])
        (summary,) = kinds(history)
        values = [
            point.value for point in trend(history, summary.kind, measure_names(history, summary.kind)[0])
        ]
    assert values == [number / 10 for number in range(6)]

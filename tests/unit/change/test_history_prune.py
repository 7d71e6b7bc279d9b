"""Retention: what goes by number, age and size, and what never goes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.change.history_prune import (
    DOOMED,
    Retention,
    StoredFlight,
    finish_removals,
    plan_prune,
    remove,
    stored_flights,
)
from asflown.change.history_store import History
from tests.unit.change.stored import store_flight

NOW = datetime(2026, 2, 1, tzinfo=UTC)


def flight(number: int, *, size: int = 10, outcome: str = "completed") -> StoredFlight:
    """A flight `number` days old."""
    return StoredFlight(
        f"f{number}", NOW - timedelta(days=number), ("hop", "palm80", "r1", "lockstep"), number,
        "script", "expectations", "parameters", "hop.scenario.yaml", outcome, size,
    )  # fmt: skip


def nobody(_flight: StoredFlight) -> bool:
    """No baseline refers to it."""
    return False


RETENTIONS = {
    "number": (Retention(number=2), ["f4", "f3", "f2"]),
    "age": (Retention(age=timedelta(days=3)), ["f4"]),
    "size": (Retention(bytes=20), ["f4", "f3", "f2"]),
    "any of them": (Retention(number=4, age=timedelta(days=2, hours=12)), ["f4", "f3"]),
    "size that is there": (Retention(bytes=50), []),
}


@pytest.mark.parametrize(("retention", "gone"), RETENTIONS.values(), ids=RETENTIONS.keys())
def test_what_a_bound_says_goes(retention: Retention, gone: list[str]) -> None:
    """The oldest first; ages count from now, numbers within a kind, sizes over all."""
    plan = plan_prune([flight(number) for number in range(5)], retention, nobody, NOW)
    assert [one.flight.folder for one in plan.remove] == gone
    assert plan.kept == 5 - len(gone)


@given(
    protected=st.sets(st.integers(0, 9)),
    number=st.none() | st.integers(1, 5),
    size=st.none() | st.integers(0, 100),
)
def test_what_a_baseline_refers_to_never_goes(
    protected: set[int], number: int | None, size: int | None
) -> None:
    """Whatever the bounds are; what is freed and what is left adds up."""
    flights = [flight(age) for age in range(10)]
    plan = plan_prune(flights, Retention(number, None, size), lambda one: one.seed in protected, NOW)
    assert not {one.flight.seed for one in plan.remove} & protected
    assert plan.bytes_freed + plan.bytes_left == 100
    assert plan.kept + len(plan.remove) == 10


def test_a_flight_that_may_be_in_the_air_stays() -> None:
    """Begun an hour ago and not ended: it is not touched, and does not count."""
    flying = StoredFlight(
        "now", NOW - timedelta(hours=1), ("hop", "palm80", "r1", "lockstep"), 1,
        "script", "expectations", "parameters", "hop.scenario.yaml", "interrupted", 10,
    )  # fmt: skip
    plan = plan_prune([flying, flight(1), flight(2)], Retention(number=1, bytes=0), nobody, NOW)
    assert [one.flight.folder for one in plan.remove] == ["f2", "f1"]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Five flights."""
    for number in range(5):
        store_flight(tmp_path, number)
    return tmp_path


def plan_for(history: History, is_protected: Callable[[StoredFlight], bool] = nobody) -> None:
    """Removes all but two."""
    history.catch_up()
    remove(history, plan_prune(stored_flights(history), Retention(number=2), is_protected, NOW))


def test_removing_takes_folders_and_entries(store: Path) -> None:
    """Folders and index agree afterwards."""
    with History(store) as history:
        plan_for(history)
        assert [one.folder for one in stored_flights(history)] == ["flight-00004", "flight-00003"]
    assert sorted(one.name for one in store.glob("flight-*")) == ["flight-00003", "flight-00004"]


def test_planning_removes_nothing(store: Path) -> None:
    """A plan is only a plan."""
    with History(store) as history:
        history.catch_up()
        plan = plan_prune(stored_flights(history), Retention(number=1), nobody, NOW)
    assert len(plan.remove) == 4
    assert len(list(store.glob("flight-*"))) == 5


def test_what_an_interrupted_removal_left_is_no_flight(store: Path) -> None:
    """It is not entered again, and goes with the next removal."""
    (store / "flight-00000").rename(store / f"{DOOMED}flight-00000")
    with History(store) as history:
        assert history.catch_up().entered == 4
    finish_removals(store)
    assert not list(store.glob(f"{DOOMED}*"))

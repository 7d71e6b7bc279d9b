"""Sets of flights: of one kind, without copies, with what varies named."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.change.sets import load_set, make_set, split_by_kind
from asflown.errors import FolderProblem, UsageError
from tests.unit.change.flown import flight, several


def test_flights_of_several_kinds_are_no_set(tmp_path: Path) -> None:
    """What would mix in one statistic is refused, and counted by kind."""
    flight(tmp_path / "a")
    flight(tmp_path / "b", seed=2, vehicle={"release": "r2"})
    with pytest.raises(UsageError) as caught:
        load_set([str(tmp_path)])
    assert "1 of nest-boxes/palm80@r1, lockstep; 1 of nest-boxes/palm80@r2, lockstep" in str(caught.value)


def test_each_kind_is_a_set_of_its_own(tmp_path: Path) -> None:
    """Split by kind, in the order of kinds."""
    flights = [flight(tmp_path / "b", vehicle={"release": "r2"}), flight(tmp_path / "a")]
    assert [str(one.kind) for one in split_by_kind("all", flights)] == [
        "nest-boxes/palm80@r1, lockstep",
        "nest-boxes/palm80@r2, lockstep",
    ]


def test_copies_count_once(tmp_path: Path) -> None:
    """Equal seeds in lockstep are copies; flights on wall time are not."""
    copies = make_set("it", [flight(tmp_path / "a"), flight(tmp_path / "b")])
    assert (len(copies), copies.notes) == (
        1,
        ("1 flight was in lockstep copies of another and counted once",),
    )
    paced = make_set("it", [flight(tmp_path / name, clock={"kind": "paced"}) for name in ("c", "d")])
    assert (len(paced), paced.notes) == (2, ())


def test_flights_that_were_not_carried_out_are_left_out(tmp_path: Path) -> None:
    """And named; a set of nothing else is refused."""
    failed = flight(tmp_path / "b", seed=2, outcome="error")
    assert make_set("it", [flight(tmp_path / "a"), failed]).notes == (
        "1 flight was not carried out and left out",
    )
    with pytest.raises(UsageError, match="no flight that was carried out"):
        make_set("it", [failed])


def test_flights_whose_captures_are_cut_short_are_left_out(tmp_path: Path) -> None:
    """A script that seems to have said less because its capture was cut is no finding."""
    whole, cut = flight(tmp_path / "a"), flight(tmp_path / "b", seed=2, captures={"script.tlog": 1_000_000})
    made = make_set("it", [whole, cut])
    assert made.flights == (whole,)
    assert made.notes == ("1 flight was left out because captures are cut short or missing",)
    with pytest.raises(FolderProblem, match="script.tlog is cut short: .* of 1000000 bytes"):
        make_set("it", [cut])
    assert split_by_kind("it", [cut]) == ()


def test_what_varies_inside_is_named(tmp_path: Path) -> None:
    """Scripts, scenario files, parameters, conditions, machines."""
    flights = [flight(tmp_path / "a"), flight(tmp_path / "b", seed=2, script_sha256="9", conditions={})]
    assert make_set("it", flights).notes == (
        "the flights have 2 different script folders",
        "the flights have 2 different conditions",
    )


@pytest.mark.parametrize(
    "word", ["nest-boxes", "palm80", "palm80@r1", "nest-boxes/palm80", "nest-boxes/palm80@r1"]
)
def test_a_selector_means_the_latest_state(word: str, tmp_path: Path) -> None:
    """All flights that were given the same as the newest one; older scripts are another state."""
    several(tmp_path, [0.1, 0.2])
    flight(tmp_path / "old", script_sha256="before", started_utc="2026-02-01T10:00:00Z")
    assert load_set([word], tmp_path).seeds == (1, 2)


def test_an_unknown_name_is_told_what_there_is(tmp_path: Path) -> None:
    """With the flights of the store."""
    flight(tmp_path / "a")
    with pytest.raises(UsageError) as caught:
        load_set(["nestboxes"], tmp_path)
    assert str(caught.value) == (
        f"there is no folder `nestboxes`, and no flight of that name in {tmp_path}. "
        "Flights there: nest-boxes/palm80@r1"
    )


def test_a_folder_without_flights_is_refused(tmp_path: Path) -> None:
    """With an example of one that has some."""
    with pytest.raises(FolderProblem, match="holds no flights"):
        load_set([str(tmp_path)])


def test_one_flight_named_twice_is_one(tmp_path: Path) -> None:
    """A store and a flight in it name the same flight."""
    flight(tmp_path / "a", clock={"kind": "paced"})
    assert len(load_set([str(tmp_path), str(tmp_path / "a")])) == 1


def test_values_of_a_measure_come_by_seed(tmp_path: Path) -> None:
    """In the order of the flights."""
    found = make_set("it", reversed(several(tmp_path, [0.3, 0.1, 0.2])))
    assert found.measures() == (("cross_track_p95", "estimate"),)
    assert found.values("cross_track_p95", "estimate") == [0.3, 0.1, 0.2]

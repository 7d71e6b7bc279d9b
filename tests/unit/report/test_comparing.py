"""Comparisons of a site: which sets are put side by side, that pages are made once, and what they say."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.change.compare import compare
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.site import site as sites
from asflown.report.site.comparing import MOST_FLIGHTS, Compared, pairs_of, shown_pair
from asflown.report.site.comparison_page import line_of
from asflown.report.site.flight_pages import Order, write_flight_pages
from tests.unit.change.flown import flight, several
from tests.unit.report.builders import outcome

R2 = {"release": "r2"}


def as_outcome(*flights: object) -> ScenarioOutcome:
    """Flights as reports get them."""
    return outcome(*(Flown(one.manifest, one.grade, one.folder) for one in flights))  # type: ignore[attr-defined]


def named(outcomes: list[ScenarioOutcome]) -> list[tuple[str, str]]:
    """The names of both sides of each pair."""
    return [(a.name, b.name) for a, b in pairs_of(outcomes)]


def test_each_release_is_compared_with_the_first_one_flown(tmp_path: Path) -> None:
    """Whatever the order in which folders are named."""
    releases = [
        flight(tmp_path / release, vehicle={"release": release}, started_utc=f"2026-03-0{day}T10:00:00Z")
        for release, day in (("r3", 3), ("r1", 1), ("r2", 2))
    ]
    assert named([as_outcome(*releases)]) == [("palm80@r1", "palm80@r2"), ("palm80@r1", "palm80@r3")]


def test_the_newest_state_is_compared_with_the_one_before(tmp_path: Path) -> None:
    """A script that was edited twice: the last edit is what a morning's page tells."""
    flights = [
        flight(tmp_path / script, script_sha256=script, started_utc=f"2026-03-0{day}T10:00:00Z")
        for day, script in enumerate(("first", "second", "third"), 1)
    ]
    ((a, b),) = pairs_of([as_outcome(*flights)])
    assert [one.manifest.script_sha256 for one in (*a, *b)] == ["second", "third"]
    assert (a.name, b.name) == ("palm80@r1 before", "palm80@r1 now")


def test_flights_of_one_kind_and_state_are_compared_with_nothing(tmp_path: Path) -> None:
    """Nor are other scenarios, and what could not be flown or graded."""
    alone = several(tmp_path / "a", [0.1, 0.2])
    other = flight(tmp_path / "b", scenario="glasshouse-rows")
    broken = flight(tmp_path / "c", vehicle=R2, outcome="error")
    told = [
        as_outcome(*alone, broken),
        outcome(Flown(other.manifest, other.grade, other.folder), name="rows"),
    ]
    assert pairs_of(told) == []
    assert pairs_of([]) == []


def test_a_side_has_the_newest_flights_and_says_how_many_there_are(tmp_path: Path) -> None:
    """A site that grows every night."""
    many = several(tmp_path / "a", [0.2] * (MOST_FLIGHTS + 3))
    ((a, _),) = pairs_of(
        [as_outcome(*many, flight(tmp_path / "b", vehicle=R2, started_utc="2027-01-01T00:00:00Z"))]
    )
    assert len(a) == MOST_FLIGHTS
    assert a.notes[-1] == f"the newest {MOST_FLIGHTS} of {MOST_FLIGHTS + 3} flights"


def _compared(folder: Path) -> Compared:
    sides = several(folder / "a", [0.2, 0.2]), several(folder / "b", [0.2, 0.9], vehicle=R2)
    ((a, b),) = pairs_of([as_outcome(*sides[0], *sides[1])])
    return Compared(compare(a, b), a, b)


def test_the_twins_whose_margins_differ_most_are_shown(tmp_path: Path) -> None:
    """Seed 2, of which B is worse by far."""
    pair = shown_pair(_compared(tmp_path))
    assert [one.manifest.seed for one in pair] == [2, 2]


def test_the_overview_says_of_a_comparison_what_it_found(tmp_path: Path) -> None:
    """In one line of plain text."""
    line = line_of(_compared(tmp_path), "page.html")
    assert line.title == "nest-boxes: palm80@r1 and palm80@r2"
    assert line.flights == "2 and 2"
    assert line.answer in {"different", "not decided"}


@pytest.fixture
def told(tmp_path: Path) -> list[ScenarioOutcome]:
    """A flight on each of two releases."""
    return [as_outcome(flight(tmp_path / "a"), flight(tmp_path / "b", vehicle=R2, clock={"digest": "2"}))]


def test_a_site_is_made_once_and_comparisons_are_kept(tmp_path: Path, told: list[ScenarioOutcome]) -> None:
    """The second time no page but the overview is written; it says the same."""
    first = sites.write_site([(one, None) for one in told], tmp_path / "site", "now")
    pages = {page: page.stat().st_ino for page in first.parent.rglob("*.html") if page != first}
    text = first.read_text(encoding="utf-8")
    assert sites.write_site([(one, None) for one in told], tmp_path / "site", "now") == first
    assert first.read_text(encoding="utf-8") == text
    assert {page: page.stat().st_ino for page in pages} == pages
    assert len(pages) == 3


def test_a_flight_that_changed_has_its_page_made_again(tmp_path: Path, told: list[ScenarioOutcome]) -> None:
    """Its folder is what counts; pages of others stay."""
    orders = [
        Order(one, None, (), {"before": "", "after": ""}, tmp_path / "site" / f"{number}.html")
        for number, one in enumerate(told[0].flights)
    ]
    assert write_flight_pages(orders) == 2
    assert write_flight_pages(orders) == 0
    (told[0].flights[0].folder / "script.log").write_text("more\n", encoding="utf-8")
    assert write_flight_pages(orders) == 1

"""Limits proposed from flown flights: which, how sure, and when none are."""

from __future__ import annotations

import pytest

from asflown.errors import UsageError
from asflown.grade.suggest import suggest
from asflown.grade.tolerances import Graded
from asflown.scenario.edit import Change
from asflown.scenario.model import Limit, Share90
from tests.unit.grade.test_tolerances import fleet, graded

NINETY = Share90(share=0.9, confidence=0.9)
KEYS = ("expect", "measures", "cross_track_p95")

PROPOSED = {
    "upper": (Limit(at_most=1.0), 24, (Change((*KEYS, "at_most"), 0.24, "up"),)),
    "lower": (Limit(at_least=0.001), 24, (Change((*KEYS, "at_least"), 0.01, "down"),)),
    "both": (
        Limit(between=(0.0, 1.0)),
        40,
        (Change((*KEYS, "between", 0), 0.01, "down"), Change((*KEYS, "between", 1), 0.4, "up")),
    ),
}


@pytest.mark.parametrize(("limit", "flights", "changes"), PROPOSED.values(), ids=PROPOSED.keys())
def test_a_limit_is_a_tolerance_limit(limit: Limit, flights: int, changes: tuple[Change, ...]) -> None:
    """On the side on which the measure is limited, rounded to the looser side."""
    (proposal,) = suggest(fleet(flights, limit), NINETY).proposals
    assert proposal.changes == changes


def refused(flights: list[Graded], judge: Share90 = NINETY) -> str:
    """The words of a refusal."""
    with pytest.raises(UsageError) as problem:
        suggest(flights, judge)
    return str(problem.value)


def test_too_few_flights_are_refused_with_how_many_are_needed() -> None:
    """21 flights do not give a limit for 90 % with confidence 90 %; one more does."""
    assert refused(fleet(21)) == (
        "21 flights are too few to propose limits that 0.9 of all flights keep, with confidence 0.9: equal seeds in "
        "lockstep count once, and flights that were not flown not at all. Fly 1 more with other seeds (22 in all), or "
        "ask for less with --coverage and --confidence"
    )
    assert suggest(fleet(22), NINETY).flights == 22


def test_copies_are_not_counted() -> None:
    """Thirty copies of one flight are one."""
    assert refused([graded(1, 0.5)] * 30).startswith("1 flight is too few")


def test_kinds_are_not_mixed() -> None:
    """Flights of two releases make no common limit."""
    mixed = [graded(seed, 0.1, release=release) for release in ("r1", "r2") for seed in range(30)]
    assert refused(mixed) == "these flights are of several kinds (r1, r2). Name flights of one kind"


def test_a_measure_that_was_not_measurable_is_left_alone() -> None:
    """Nothing is proposed for it, and where nothing else is limited that is refused."""
    assert "not measurable in 1 of 31 flights" in refused([*fleet(30), graded(99, None)])


def test_a_limit_of_nothing_needs_a_scale() -> None:
    """A limit of 0 gives no size for a margin."""
    assert "a limit of 0 has no size" in refused([graded(seed, 0.0) for seed in range(30)])

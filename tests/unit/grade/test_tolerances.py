"""Tolerance limits of measures over several flights: which flights count, and what is said."""

from __future__ import annotations

import dataclasses

import pytest

from asflown.grade.result import Grade, Measured
from asflown.grade.tolerances import Graded, measure_tolerances
from asflown.grade.verdict import JudgedFlight
from asflown.scenario.model import Limit, Share90

NINETY = Share90(share=0.9, confidence=0.9)
NORMAL = Share90(share=0.9, confidence=0.9, tolerance="normal")
AT_MOST = Limit(at_most=1.0)


def graded(seed: int, value: float | None, limit: Limit = AT_MOST, release: str = "") -> Graded:
    """A flight with one measure of this value."""
    measured = Measured("cross_track_p95", "m", value, limit, None, "estimate")
    flight = JudgedFlight("pass", seed, "lockstep", release)
    return flight, Grade("pass", "", (measured,), (), (), (), "")


def fleet(number: int, limit: Limit = AT_MOST) -> list[Graded]:
    """Flights whose values are 0.01 m, 0.02 m, 0.03 m and so on."""
    return [graded(seed, seed / 100, limit) for seed in range(1, number + 1)]


SAID = {
    "upper": (
        AT_MOST,
        NINETY,
        24,
        "0.9 of all flights stay below 0.24 m (confidence 0.9, distribution-free, 24 flights)",
    ),
    "lower": (
        Limit(at_least=0.0, scale=1.0),
        NINETY,
        24,
        "0.9 of all flights stay above 0.01 m (confidence 0.9, distribution-free, 24 flights)",
    ),
    "both": (
        Limit(between=(0.0, 1.0)),
        NINETY,
        40,
        "0.9 of all flights lie between 0.01 m and 0.40 m (confidence 0.9, distribution-free, 40 flights)",
    ),
    "too few": (AT_MOST, NINETY, 21, "21 flights are too few for a limit, which takes 22"),
    "one": (AT_MOST, NORMAL, 1, "1 flight is too few for a limit, which takes 2"),
}


@pytest.mark.parametrize(("limit", "judge", "number", "says"), SAID.values(), ids=SAID.keys())
def test_what_is_said(limit: Limit, judge: Share90, number: int, says: str) -> None:
    """Limits lie on the side on which the measure is limited; too few flights are said to be so."""
    (found,) = measure_tolerances(fleet(number, limit), judge)
    assert found.says == says


def test_normal_limits_only_where_the_scenario_says_so() -> None:
    """Five flights give a limit where values may be taken to be normal, and none elsewhere."""
    (free,) = measure_tolerances(fleet(5), NINETY)
    (normal,) = measure_tolerances(fleet(5), NORMAL)
    assert free.limits is None
    assert normal.limits is not None
    assert normal.limits.high == pytest.approx(0.03 + 2.742 * 0.0158114, abs=1e-4)  # ISO 16269-6: k(5, 90/90)


def test_copies_count_once() -> None:
    """Thirty flights of one seed in lockstep are one."""
    (found,) = measure_tolerances([graded(7, 0.3) for _ in range(30)], NINETY)
    assert found.says == "1 flight is too few for a limit, which takes 22"


def test_kinds_stand_by_themselves() -> None:
    """Flights of two releases give two limits, each said to be of its own."""
    flights = fleet(22) + [graded(seed, 0.5, release="r2") for seed in range(22)]
    found = measure_tolerances(flights, NINETY)
    assert [(one.of, one.limits.high if one.limits else None) for one in found] == [
        ("unknown release", 0.22),
        ("r2", 0.5),
    ]


def test_a_measure_that_was_not_measurable_has_no_limit() -> None:
    """Leaving such a flight out would flatter the vehicle."""
    (found,) = measure_tolerances([*fleet(30), graded(99, None)], NINETY)
    assert found.limits is None
    assert found.says == "not measurable in 1 of 31 flights, so no limit can be stated"


def test_flights_that_were_not_flown_are_left_out() -> None:
    """A flight that could not be carried out says nothing about the measure."""
    flight, grade = graded(99, None)
    failed = dataclasses.replace(flight, verdict="error"), grade
    (found,) = measure_tolerances([*fleet(22), failed], NINETY)
    assert found.limits is not None


def test_no_limits_where_every_flight_is_judged() -> None:
    """`every-flight` states neither coverage nor confidence."""
    assert measure_tolerances(fleet(30), "every-flight") == ()

"""What a campaign shows: the pass share with its interval, the condition that drives failure, where failures lie."""

from __future__ import annotations

import numpy as np
import pytest

from asflown.campaign.campaign import clear
from asflown.campaign.findings import find
from asflown.campaign.flying import Outcome
from asflown.grade.result import VerdictWord
from asflown.grade.statistics.sequential import sequential_plan
from tests.unit.campaign.made_up import outcome


def windy(flights: int = 100, breaks_at: float = 4.0) -> list[Outcome]:
    """Margins shrink with the wind, whatever the radio; above `breaks_at` flights fail."""
    rng = np.random.default_rng(3)
    found = []
    for number in range(flights):
        wind = float(rng.uniform(0, 6))
        radio = ("ideal", "sub-ghz-telemetry")[int(rng.integers(2))]
        found.append(outcome(number, round(wind, 4), (breaks_at - wind) / breaks_at, radio))
    return found


def test_the_driver_is_named_and_what_does_not_matter_is_not() -> None:
    """Wind, with its direction; the radio has nothing to do with it."""
    drivers = {driver.name: driver for driver in find(windy()).drivers}
    assert drivers["conditions.wind.speed"].correlation == pytest.approx(-1.0, abs=1e-3)
    assert drivers["conditions.wind.speed"].p_value < 1e-6
    assert drivers["conditions.radio"].p_value > 0.05


def test_the_tree_says_where_flights_fail() -> None:
    """Near the wind at which they do, with all of them on one side."""
    above, below = find(windy()).questions[:2]
    cut = float(above.split("above ")[1].split(" ")[0])
    assert cut == pytest.approx(4.0, abs=0.25)
    assert below.endswith("fail")
    assert above.split(": ")[1].split(" ")[0] == above.split(" of ")[1].split(" ")[0]


def test_nothing_is_asked_where_nothing_fails() -> None:
    """All passed: no tree, and an interval that ends at one."""
    found = find([outcome(number, 1.0 + 0.01 * number, 0.5) for number in range(30)])
    assert found.questions == ()
    assert found.pass_share is not None
    assert found.pass_share.high == 1.0
    assert found.pass_share.low == pytest.approx(0.8843, abs=1e-3)  # (0.025)^(1/30)


def test_flights_that_could_not_be_flown_count_in_nothing() -> None:
    """But are told."""
    found = find([*windy(20), outcome(50, 1.0, None)])
    assert (found.flights, found.errors) == (20, 1)


def test_the_worst_stand_first() -> None:
    """By their worst margin."""
    worst = [one.worst or 0.0 for one in find(windy()).worst]
    assert worst == sorted(worst)
    assert len(worst) == 10


def test_a_clear_answer_looks_at_flights_in_the_order_of_their_numbers() -> None:
    """A flight that is not there yet hides those after it: what is quick to fail would come first."""
    plan = sequential_plan(0.05, 0.3)
    fine: dict[int, VerdictWord] = dict.fromkeys(range(60), "pass")
    assert clear(fine, plan) == "accept"
    assert clear({number: one for number, one in fine.items() if number != 2}, plan) is None
    failing: dict[int, VerdictWord] = dict.fromkeys(range(60), "fail")
    assert clear(failing, plan) == "reject"
    assert clear(failing, None) is None

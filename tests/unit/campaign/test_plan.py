"""What flights are given: within what is said, spread as sampling promises, and the same for everybody."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from asflown.campaign.plan import drawn, identity, number_of, seed_of
from asflown.scenario.campaign import Campaign, Distribution
from tests.unit.campaign.made_up import VARY, campaign

WAYS = ["latin-hypercube", "sobol", "plain"]


def values(found: Campaign, key: str) -> list[float]:
    """The numbers drawn for a key."""
    return [number_of(one.given[key]) or 0.0 for one in drawn(found, "x")]


@pytest.mark.parametrize("sampling", WAYS)
def test_equal_plans_give_equal_flights_and_other_seeds_others(sampling: str) -> None:
    """Values and seeds follow from the plan alone."""
    first, again = (drawn(campaign(sampling=sampling), "nest-boxes") for _ in range(2))
    assert first == again
    assert drawn(campaign(sampling=sampling, seed=2), "nest-boxes") != first
    assert len({one.seed for one in first}) == len(first)


@pytest.mark.parametrize("sampling", WAYS)
def test_values_lie_within_what_is_said(sampling: str) -> None:
    """With the unit that the file gives."""
    found = campaign(200, sampling=sampling)
    winds, charges = values(found, "conditions.wind.speed"), values(found, "start.battery")
    assert 0 <= min(winds) < 0.6
    assert 5.4 < max(winds) <= 6
    assert min(charges) >= 70
    assert max(charges) <= 100
    assert np.mean(charges) == pytest.approx(89.5, abs=1.0)
    one = drawn(found, "x")[0].given
    assert one["conditions.wind.speed"].endswith(" m/s")
    assert one["start.battery"].endswith(" %")
    assert {flight.given["conditions.radio"] for flight in drawn(found, "x")} == {
        "ideal",
        "sub-ghz-telemetry",
    }


def test_a_latin_hypercube_meets_every_stretch_once() -> None:
    """Of forty flights one lies in each fortieth of the range."""
    winds = values(campaign(40), "conditions.wind.speed")
    assert sorted(int(wind / 6 * 40) for wind in winds) == list(range(40))


@given(st.integers(0, 10**6), st.integers(0, 10**6))
def test_a_seed_belongs_to_its_number(one: int, other: int) -> None:
    """Seeds fit where the command takes them, and differ with the number."""
    assert 0 <= seed_of("plan", one) < 2**32
    assert (seed_of("plan", one) == seed_of("plan", other)) == (one == other)


def test_the_name_of_a_plan_changes_with_everything_that_matters() -> None:
    """Flights, what varies, the scenario."""
    names = {identity(campaign(), "a"), identity(campaign(), "b"), identity(campaign(41), "a")}
    assert len(names) == 3


@pytest.mark.parametrize(
    ("vary", "says"),
    [
        ({"uniform": ["3 m/s", "1 m/s"]}, "lower one"),
        ({"uniform": ["3 m/s", "4 km/h"]}, "the same unit"),
        ({"uniform": ["a", "b"]}, "is no number"),
        ({"normal": {"mean": "3 m/s", "deviation": "0 m/s"}}, "above 0"),
        ({"choice": ["ideal"]}, "at least 2"),
    ],
    ids=["order", "units", "words", "deviation", "one-choice"],
)
def test_a_distribution_of_no_sense_is_refused(vary: Distribution, says: str) -> None:
    """In words."""
    with pytest.raises(ValidationError, match=says):
        Campaign.model_validate({"vary": VARY | {"conditions.wind.speed": vary}})

"""What a campaign may draw: each condition lands in the scenario with its unit, and nothing beyond its limits does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from asflown.campaign.plan import drawn
from asflown.errors import FileProblem
from asflown.scenario.campaign import Campaign
from asflown.scenario.file import LoadedScenario, load_scenario, with_given
from asflown.scenario.model import Scenario

TEXT = """\
asflown: 1
name: drawn
vehicle: palm80
script: {run: [python, script.py, "{link}"]}
conditions:
  wind: {speed: 1 m/s, gusts: [{at: 5 s, speed: 2 m/s, for: 2 s}]}
  faults: [{at: 10 s, inject: gnss-loss, for: 2 s}]
expect: {rules: [{name: low, always: "height < 9 m"}]}
"""

Range = tuple[str, str]
Look = Callable[[Scenario], Any]

NUMBERS: dict[str, tuple[Range, tuple[float, float], Look]] = {
    "conditions.wind.speed": (("0 m/s", "6 m/s"), (0, 6), lambda s: s.conditions.wind.speed_m_s),
    "conditions.wind.from": (("0 deg", "180 deg"), (0, 3.1416), lambda s: s.conditions.wind.from_rad),
    "conditions.wind.gusts.0.speed": (
        ("1 m/s", "8 m/s"),
        (1, 8),
        lambda s: s.conditions.wind.gusts[0].speed_m_s,
    ),
    "conditions.wind.gusts.0.at": (("3 s", "30 s"), (3, 30), lambda s: s.conditions.wind.gusts[0].at_s),
    "start.offset.north": (("-3 m", "3 m"), (-3, 3), lambda s: s.start.offset.north_m),
    "start.offset.east": (("-300 cm", "300 cm"), (-3, 3), lambda s: s.start.offset.east_m),
    "start.heading": (("-90 deg", "90 deg"), (-1.571, 1.571), lambda s: s.start.heading_rad),
    "start.battery": (("50 %", "100 %"), (0.5, 1), lambda s: s.start.battery),
    "conditions.craft.mass": (("90 %", "130 %"), (0.9, 1.3), lambda s: s.conditions.craft.mass),
    "conditions.craft.thrust": (("80 %", "110 %"), (0.8, 1.1), lambda s: s.conditions.craft.thrust),
    "conditions.craft.drag": (("50 %", "300 %"), (0.5, 3), lambda s: s.conditions.craft.drag),
    "conditions.craft.sensor_errors": (
        ("50 %", "250 %"),
        (0.5, 2.5),
        lambda s: s.conditions.craft.sensor_errors,
    ),
    "conditions.faults.0.at": (("4 s", "40 s"), (4, 40), lambda s: s.conditions.faults[0].at_s),
    "conditions.faults.0.for": (("500 ms", "3000 ms"), (0.5, 3), lambda s: s.conditions.faults[0].for_s),
    "conditions.faults.0.severity": (("50 %", "200 %"), (0.5, 2), lambda s: s.conditions.faults[0].severity),
}
"""By key: ends as a file writes them, in SI, and where the scenario has it."""

WORDS: dict[str, tuple[list[str], Look]] = {
    "conditions.radio": (["ideal", "sub-ghz-telemetry"], lambda s: s.conditions.radio),
    "conditions.wind.turbulence": (["none", "light"], lambda s: s.conditions.wind.turbulence),
    "conditions.faults.0.inject": (["gnss-loss", "link-loss"], lambda s: s.conditions.faults[0].inject),
    "conditions.faults.0.unit": (["1", "2", "3", "4"], lambda s: str(s.conditions.faults[0].unit)),
}


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> LoadedScenario:
    """A scenario with a gust and a fault."""
    folder = tmp_path_factory.mktemp("drawn")
    (folder / "script.py").write_text("", encoding="utf-8")
    file: Path = folder / "drawn.scenario.yaml"
    file.write_text(TEXT, encoding="utf-8")
    return load_scenario(file)


def plan(vary: dict[str, Any], flights: int = 12, seed: int = 1) -> Campaign:
    """A campaign over these."""
    return Campaign.model_validate({"flights": flights, "seed": seed, "vary": vary})


@pytest.mark.parametrize("key", NUMBERS)
def test_a_drawn_number_lands_where_it_belongs(loaded: LoadedScenario, key: str) -> None:
    """In SI, between the ends, spread over the range."""
    ends, (low, high), look = NUMBERS[key]
    flights = drawn(plan({key: {"uniform": list(ends)}}), "drawn")
    values = [look(with_given(loaded, one.given).scenario) for one in flights]
    assert all(low - 1e-6 <= value <= high + 1e-4 for value in values)
    assert max(values) - min(values) > 0.7 * (high - low)


@pytest.mark.parametrize("key", WORDS)
def test_a_drawn_word_lands_where_it_belongs(loaded: LoadedScenario, key: str) -> None:
    """Every word of a choice is met."""
    words, look = WORDS[key]
    flights = drawn(plan({key: {"choice": words}}, flights=40), "drawn")
    assert {look(with_given(loaded, one.given).scenario) for one in flights} == set(words)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**6), keys=st.sets(st.sampled_from(sorted(NUMBERS)), min_size=1))
def test_whatever_is_drawn_together_is_a_scenario(loaded: LoadedScenario, seed: int, keys: set[str]) -> None:
    """Any conditions, any seed: what a plan draws is accepted as if a file said it."""
    vary = {key: {"uniform": list(NUMBERS[key][0])} for key in sorted(keys)}
    for one in drawn(plan(vary, flights=2, seed=seed), "drawn"):
        scenario = with_given(loaded, one.given).scenario
        for key in keys:
            low, high = NUMBERS[key][1]
            assert low - 1e-6 <= NUMBERS[key][2](scenario) <= high + 1e-4


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("conditions.craft.mass", "1.2"),
        ("conditions.craft.mass", "90 g"),
        ("conditions.craft.mass", "200 %"),
        ("conditions.craft.drag", "5 %"),
        ("start.offset.north", "2"),
        ("start.offset.north", "2 deg"),
        ("start.offset.east", "5 km"),
        ("conditions.craft.sensor_errors", "-10 %"),
    ],
)
def test_what_makes_no_sense_is_refused(loaded: LoadedScenario, key: str, text: str) -> None:
    """A missing or wrong unit, and what no craft can have."""
    with pytest.raises(FileProblem):
        with_given(loaded, {key: text})

"""The search for a weak spot, on made-up scripts whose weakness is known: found, made simple, written down."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.campaign.flying import Outcome
from asflown.campaign.plan import number_of
from asflown.campaign.regression import write_regression
from asflown.campaign.search import Evaluate, Search, Try, search, shrink
from asflown.grade.result import VerdictWord
from asflown.scenario.campaign import Campaign
from asflown.scenario.file import load_scenario
from tests.flights.flying import SCENARIOS

NEST = SCENARIOS / "nest_boxes" / "nest-boxes.scenario.yaml"
CAMPAIGN = Campaign.model_validate(
    {
        "vary": {
            "conditions.wind.speed": {"uniform": ["0 m/s", "10 m/s"]},
            "conditions.wind.from": {"uniform": ["0 deg", "360 deg"]},
            "conditions.radio": {"choice": ["ideal", "sub-ghz-telemetry"]},
        }
    }
)
NOMINAL = {"conditions.wind.speed": "2 m/s", "conditions.wind.from": "240 deg", "conditions.radio": "ideal"}


def weak(speed_m_s: float, from_deg: float, width_deg: float) -> Evaluate:
    """A script that fails in wind above a speed from around a direction; another margin never moves."""

    def evaluate(given: dict[str, str]) -> Outcome:
        texts = NOMINAL | given
        wind, way = (number_of(texts[f"conditions.wind.{name}"]) or 0.0 for name in ("speed", "from"))
        off = abs((way - from_deg + 180) % 360 - 180)
        margin = (speed_m_s - wind) / 10 + max(0.0, off - width_deg) / 90
        verdict: VerdictWord = "fail" if margin < 0 else "pass"
        return Outcome(
            0, 7, given, verdict, "", {"cross_track_p95": margin, "duration": 0.1 if margin > 0 else 0.3}
        )

    return evaluate


def flights_needed(evaluate: Evaluate, seed: int, way: str) -> int:
    """How many flights until the first that fails; 61 for none within 60."""
    campaign = CAMPAIGN.model_copy(update={"seed": seed})
    found = search(campaign, evaluate, 60, way)  # type: ignore[arg-type]
    return len(found.tries) if found.failing is not None else 61


def test_a_narrow_weakness_is_found_sooner_than_by_chance() -> None:
    """A fortieth of the range: both ways follow margins that random flights do not look at."""
    evaluate = weak(8.0, 100.0, 20.0)
    chance = [flights_needed(evaluate, seed, "random") for seed in range(1, 12)]
    for way, most in (("model", 20), ("evolution", 40)):
        followed = [flights_needed(evaluate, seed, way) for seed in range(1, 12)]
        assert sorted(followed)[5] <= most
        assert sum(followed) < sum(chance)


def test_a_search_is_repeatable() -> None:
    """Equal plans try equal conditions."""
    one, other = (search(CAMPAIGN, weak(8.0, 100.0, 20.0), 60) for _ in range(2))
    assert [each.given for each in one.tries] == [each.given for each in other.tries]


def test_a_script_without_a_weakness_is_given_up() -> None:
    """After exactly as many flights as allowed."""
    found = search(CAMPAIGN, weak(50.0, 0.0, 400.0), 25)
    assert (len(found.tries), found.failing) == (25, None)


@pytest.fixture
def shrunk() -> Search:
    """A failure that takes wind alone, made simple."""
    evaluate = weak(6.0, 0.0, 400.0)
    found = search(CAMPAIGN, evaluate, 60)
    shrink(found, CAMPAIGN, {**NOMINAL}, evaluate)
    return found


def test_what_it_does_not_take_is_taken_away(shrunk: Search) -> None:
    """Direction and radio have nothing to do with it; the wind is close to where it begins to matter."""
    assert shrunk.simplest is not None
    assert list(shrunk.simplest.given) == ["conditions.wind.speed"]
    assert 6.0 < (number_of(shrunk.simplest.given["conditions.wind.speed"]) or 0) < 6.6
    (gentler,) = shrunk.gentler
    assert not gentler.fails


def test_a_failure_becomes_a_scenario_that_says_what_it_takes(shrunk: Search, tmp_path: Path) -> None:
    """It extends the one that was searched, with its seed; the file is checked as any other."""
    assert shrunk.simplest is not None
    folder = tmp_path / "found"
    folder.mkdir()
    (folder / "nest_boxes.py").write_text("")
    file = write_regression(load_scenario(NEST), shrunk.simplest, folder / "gust.scenario.yaml")
    written = load_scenario(file).scenario
    assert written.name == "gust"
    assert written.repeat.seeds == (7,)
    assert written.conditions.wind.speed_m_s == pytest.approx(
        number_of(shrunk.simplest.given["conditions.wind.speed"])
    )
    assert written.conditions.wind.turbulence == "light"


def test_a_failure_in_a_list_becomes_a_scenario_with_the_whole_list(tmp_path: Path) -> None:
    """No file extends a part of a list: what the fault does stays beside when it comes."""
    base = tmp_path / "base.scenario.yaml"
    text = NEST.read_text().replace(
        "conditions:\n", "conditions:\n  faults: [{at: 9 s, inject: gnss-loss, for: 2 s}]\n"
    )
    base.write_text(text)
    (tmp_path / "nest_boxes.py").write_text("")
    loaded = load_scenario(base)
    assert [fault.at_s for fault in loaded.scenario.conditions.faults] == [9.0]
    one = Try({"conditions.faults.0.at": "12.5 s"}, Outcome(0, 7, {}, "fail", "", {}))
    written = load_scenario(write_regression(loaded, one, tmp_path / "found.scenario.yaml")).scenario
    (fault,) = written.conditions.faults
    assert (fault.at_s, fault.inject, fault.for_s) == (12.5, "gnss-loss", 2.0)


def test_what_passes_one_step_gentler_was_flown_beside_what_is_left(shrunk: Search) -> None:
    """Each differs from the simplest failure in one value alone."""
    assert shrunk.simplest is not None
    left = shrunk.simplest.given
    assert shrunk.gentler
    for one in shrunk.gentler:
        assert sum(one.given[key] != left[key] for key in left) == 1


def test_what_comes_at_a_time_is_tried_where_a_flight_was_close_to_a_limit() -> None:
    """A window of a thirtieth of the flight, in which nothing but the strongest gust matters."""
    varied = {
        "gusts.0.at": {"uniform": ["0 ms", "90000 ms"]},
        "gusts.0.speed": {"uniform": ["0 m/s", "8 m/s"]},
    }
    campaign = Campaign.model_validate({"vary": varied, "seed": 3})

    def evaluate(given: dict[str, str]) -> Outcome:
        at_ms, speed = (number_of(given[f"gusts.0.{name}"]) or 0.0 for name in ("at", "speed"))
        hit = 61.0 <= at_ms / 1000 <= 64.0
        margin = 0.2 - 0.03 * speed * hit
        margins, moments = {"corner": margin, "landing": 0.9}, {"corner": 65.0, "landing": 88.0}
        return Outcome(0, 7, given, "fail" if margin < 0 else "pass", "", margins, moments=moments)

    found = search(campaign, evaluate, 60)
    times = [number_of(one.given["gusts.0.at"]) or 0.0 for one in found.tries]
    assert found.failing is not None
    assert sum(57_000 <= at_ms <= 65_000 for at_ms in times) >= len(times) // 5

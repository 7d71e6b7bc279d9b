"""Flying a campaign: what is done stays done, what changed is another campaign, and what cannot be flown ends it."""

from __future__ import annotations

import shutil
from collections.abc import Generator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from asflown.campaign.campaign import ERRORS_IN_A_ROW, contents, fly_campaign, folder_of
from asflown.campaign.flying import Outcome, Task, lost
from asflown.campaign.store import Store
from asflown.errors import FlightError, FolderProblem
from asflown.scenario.file import LoadedScenario, load_scenario
from tests.flights.flying import SCENARIOS

CAMPAIGN = """\
extends: nest-boxes.scenario.yaml
name: windy
campaign:
  flights: 30
  vary:
    conditions.wind.speed: {uniform: [0 m/s, 3 m/s]}
"""


@dataclass
class Quick:
    """Stands for an executor: every flight passes, but for those that `cannot` be flown."""

    cannot: frozenset[int] = frozenset()
    asked: list[int] = field(default_factory=list)

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """See Executor."""
        for task in tasks:
            one = task.drawn
            self.asked.append(one.number)
            flown = Outcome(one.number, one.seed, one.given, "pass", "", {"duration": 0.5})
            yield lost(task, "no room") if one.number in self.cannot else flown


@pytest.fixture
def loaded(tmp_path: Path) -> LoadedScenario:
    """A demo of one's own with a campaign."""
    place = Path(shutil.copytree(SCENARIOS / "nest_boxes", tmp_path / "demo"))
    (place / "windy.scenario.yaml").write_text(CAMPAIGN, encoding="utf-8")
    return load_scenario(place / "windy.scenario.yaml")


def test_flights_that_could_not_be_flown_are_tried_again(loaded: LoadedScenario, tmp_path: Path) -> None:
    """And no others are; the result has each flight once, with its margins."""
    first, again = Quick(frozenset({3, 7})), Quick()
    done = fly_campaign(loaded, "palm80", first, Store(tmp_path / "kept"))
    assert [one.number for one in done.values() if one.verdict == "error"] == [3, 7]
    done = fly_campaign(loaded, "palm80", again, Store(tmp_path / "kept"))
    assert again.asked == [3, 7]
    assert list(done) == list(range(30))
    assert {one.verdict for one in done.values()} == {"pass"}
    assert all(one.margins == {"duration": 0.5} and one.given for one in done.values())


def test_a_campaign_where_nothing_can_be_flown_ends_soon(loaded: LoadedScenario, tmp_path: Path) -> None:
    """With the reason, and it can be gone on with."""
    store, broken = Store(tmp_path / "kept"), Quick(frozenset(range(5, 30)))
    with pytest.raises(FlightError, match="10 flights in a row could not be flown: no room"):
        fly_campaign(loaded, "palm80", broken, store)
    assert len(broken.asked) == 5 + ERRORS_IN_A_ROW
    again = Quick()
    fly_campaign(loaded, "palm80", again, store)
    assert again.asked == list(range(5, 30))


def test_another_script_is_another_campaign(loaded: LoadedScenario, tmp_path: Path) -> None:
    """Flights of two scripts never meet; results that lie in the scenario's folder change nothing."""
    fly_campaign(loaded, "palm80", Quick(), Store(tmp_path / "kept"))
    before, place = contents(loaded), folder_of(loaded, "palm80")
    (loaded.folder / "found.json").write_text("{}", encoding="utf-8")
    assert (contents(loaded), folder_of(loaded, "palm80")) == (before, place)
    script = loaded.folder / "nest_boxes.py"
    script.write_text(script.read_text(encoding="utf-8") + "# mended\n", encoding="utf-8")
    assert contents(loaded) != before
    assert folder_of(loaded, "palm80") != place
    with pytest.raises(FolderProblem, match="another campaign"):
        fly_campaign(loaded, "palm80", Quick(), Store(tmp_path / "kept"))

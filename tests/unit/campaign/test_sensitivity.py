"""Sensitivity as a campaign: what is planned, what counts as caught, and that nothing is flown twice."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.campaign.flying import Outcome, Task
from asflown.campaign.links import as_written, write_link
from asflown.campaign.sensitivity import Disturbance, Flights, Level, caught, disturbances, link_losses
from asflown.campaign.store import Store
from asflown.errors import FolderProblem
from asflown.link.profile import load_profile, profile_names, read_profile
from asflown.scenario.file import LoadedScenario, load_scenario, with_given

TEXT = """\
asflown: 1
name: gentle
script: {run: [python, script.py, "{link}"], compute: 10 ms}
conditions: {craft: {mass: 120 %}, radio: sub-ghz-telemetry}
expect: {rules: [{name: low, always: "height < 9 m"}]}
"""
KIND = Disturbance(
    "link", "is later", tuple(Level(f"{n} ms", {"conditions.radio": f"r{n}"}) for n in range(5))
)


@pytest.fixture
def loaded(tmp_path: Path) -> LoadedScenario:
    """A scenario that is not plain itself."""
    (tmp_path / "script.py").write_text("", encoding="utf-8")
    file = tmp_path / "gentle.scenario.yaml"
    file.write_text(TEXT, encoding="utf-8")
    return load_scenario(file)


def outcome(number: int, verdict: str, given: dict[str, str] | None = None, folder: str = "") -> Outcome:
    """A flight that ended so."""
    margins = {"low": -0.2, "high": 0.4} if verdict == "fail" else {"low": 0.1}
    return Outcome(number, 1, given or {}, verdict, f"why {number}", margins, folder=folder)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("verdicts", "size", "passes", "again"),
    [
        ("pass pass fail fail fail", "2 ms", "1 ms", ()),
        ("pass pass pass pass pass", None, "4 ms", ()),
        ("fail fail fail fail fail", "0 ms", None, ()),
        ("pass fail pass fail pass", "1 ms", "0 ms", ("2 ms", "4 ms")),
        ("pass inconclusive error fail fail", "3 ms", "0 ms", ()),
    ],
)
def test_the_gentlest_level_that_fails_is_what_is_caught(
    verdicts: str, size: str | None, passes: str | None, again: tuple[str, ...]
) -> None:
    """Passing again is told, and what is inconclusive or was not flown has caught nothing."""
    found = caught(KIND, [outcome(n, verdict) for n, verdict in enumerate(verdicts.split())])
    assert (found.size, found.passes, found.passes_again) == (size, passes, again)
    assert found.caught_by == (("low",) if size else ())
    assert len(found.undecided) == sum(one in ("inconclusive", "error") for one in verdicts.split())


def test_every_planned_level_is_a_scenario_and_worse_than_its_own(
    loaded: LoadedScenario, tmp_path: Path
) -> None:
    """Sizes come on top of what the scenario has; what no craft can be is left out."""
    kinds = {
        kind.says: kind for kind in (*disturbances(loaded, tmp_path / "links"), link_losses(loaded, 40.0))
    }
    for kind in kinds.values():
        for level in kind.levels:
            with_given(loaded, dict(level.given))
    masses = [level.given["conditions.craft.mass"] for level in kinds["is heavier"].levels]
    assert masses == ["132 %"]
    thinks = [level.given["script.compute"] for level in kinds["needs longer to think each time"].levels]
    assert thinks[0] == "0.03 s"
    (gone,) = [kind for says, kind in kinds.items() if says.startswith("is gone")]
    first = with_given(loaded, dict(gone.levels[0].given)).scenario.conditions.faults
    assert [(one.inject, one.at_s, one.for_s) for one in first] == [("link-loss", 20.0, 1.0)]


@pytest.mark.parametrize("name", profile_names())
def test_a_profile_is_written_as_it_is_read(name: str, tmp_path: Path) -> None:
    """A delay of nothing leaves each direction as it was; more of it is added to both."""
    profile = load_profile(name)
    same = read_profile(Path(write_link(name, tmp_path)))
    assert (same.up_lane, same.down_lane) == (profile.up_lane, profile.down_lane)
    assert (same.half_duplex, same.status) == (profile.half_duplex, profile.status)
    later = read_profile(Path(write_link(name, tmp_path, delay_s=0.4)))
    assert later.up_lane.latency_s == pytest.approx(profile.up_lane.latency_s + 0.4)
    assert as_written(later)["name"] == "later-400-ms"


@given(lost=st.floats(0.0, 0.9))
def test_frames_survive_both_losses(lost: float) -> None:
    """The old channel's share times the new one's."""
    from asflown.campaign.links import _worse

    lane = load_profile("long-range-slow").up_lane
    worse = _worse(lane, 0.0, lost)
    assert 1 - worse.loss.in_good == pytest.approx((1 - lane.loss.in_good) * (1 - lost))


class Played:
    """An executor that notes what it is given, and ends each flight as planned."""

    def __init__(self, folder: Path) -> None:
        self.flown: list[int] = []
        self._folder = folder

    def run(self, tasks: Sequence[Task]) -> Generator[Outcome]:
        """Each flight passes."""
        for task in tasks:
            self.flown.append(task.drawn.number)
            yield outcome(task.drawn.number, "pass", task.drawn.given, str(self._folder))


def test_what_was_flown_is_not_flown_again(loaded: LoadedScenario, tmp_path: Path) -> None:
    """A second run over the same folder asks for nothing; a level that was never reached is flown then."""
    first, again = Played(tmp_path), Played(tmp_path)
    place = tmp_path / "kept"
    run = Flights(loaded, "palm80", 1, first, Store(place))
    run.undisturbed()
    run.disturbed([Disturbance("vehicle", "x", (Level("a", {"start.battery": "90 %"}),))])
    more = Flights(loaded, "palm80", 1, again, Store(place))
    more.undisturbed()
    levels = tuple(Level(share, {"start.battery": share}) for share in ("90 %", "80 %"))
    (found,) = more.disturbed([Disturbance("vehicle", "x", levels)])
    assert (first.flown, again.flown) == ([0, 1], [2])
    assert found.passes == "80 %"


def test_another_seed_is_another_campaign(loaded: LoadedScenario, tmp_path: Path) -> None:
    """A folder holds the flights of one plan."""
    Flights(loaded, "palm80", 1, Played(tmp_path), Store(tmp_path / "kept")).undisturbed()
    with pytest.raises(FolderProblem, match="another campaign"):
        Flights(loaded, "palm80", 2, Played(tmp_path), Store(tmp_path / "kept")).undisturbed()

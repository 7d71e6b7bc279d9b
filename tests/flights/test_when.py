"""The point of no return of a flight whose cause falls at a known time, and a flight that passed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from asflown.campaign.executor import Local
from asflown.campaign.moments import Asked
from asflown.campaign.replay import Branches, original_of
from asflown.campaign.store import Store
from asflown.change.sets import read_flight
from tests.flights.doomed import decided_s, write_doomed
from tests.flights.flying import fly


@pytest.mark.flight
@pytest.mark.slow
def test_chance_decides_before_a_frame_is_lost_and_no_more_after_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Just before it was sent, other chance saves the flight; just after it, three other chances do not."""
    file = write_doomed(tmp_path / "doomed", "lost-frame", 12.0)
    flown = fly(tmp_path, file, "--seed", "1", "--flights", "1")
    monkeypatch.chdir(tmp_path)
    (folder,) = flown.folders
    assert json.loads((folder / "grade.json").read_text())["verdict"] == "fail"
    cause_s, _ = decided_s(folder, "lost-frame", 12.0)
    branches = Branches(original_of(read_flight(folder)), Local(), Store(tmp_path / "when"))
    branches.begin()
    before, after = int(cause_s * 100) - 2, int(cause_s * 100) + 2
    later = dict(branches.ask([Asked(after, number) for number in range(3)]))
    sooner = dict(branches.ask([Asked(before, number) for number in range(5)]))
    assert set(later.values()) == {True}
    assert False in sooner.values()
    branches.store.close()

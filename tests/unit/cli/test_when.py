"""`asflown when`: what it refuses before anything flies, and how it says what was found."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.campaign.moments import Found, Moment
from asflown.campaign.replay import original_of
from asflown.campaign.when import answer
from asflown.campaign.when_page import picture
from asflown.change.sets import read_flight
from asflown.cli.main import main
from asflown.errors import UsageError
from asflown.flight.fingerprint import fingerprint
from asflown.record import manifest as manifests
from asflown.record.manifest import ClockRecord
from tests.unit.grade.flights import flight_of
from tests.unit.grade.paths import BOXES, round_trip
from tests.unit.record.flown import write_flight

HELD = ClockRecord(asked="any", kind="lockstep", deterministic=True, digest="00", fingerprint=fingerprint())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short flight's folder."""
    place = tmp_path_factory.mktemp("flown") / "flight"
    return write_flight(place, flight_of(round_trip(BOXES[:1], land_at=(8, 0))))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"clock": HELD.model_copy(update={"kind": "paced", "deterministic": False})}, "bit by bit"),
        ({"clock": HELD.model_copy(update={"fingerprint": "other"})}, "another machine or build"),
        ({"clock": HELD, "outcome": "interrupted"}, "not flown to its end"),
        ({"clock": HELD, "by_hand": True}, "not flown by a script"),
        ({"clock": HELD, "conditions": {"chance": {"anew_at_s": 1.0, "seed": 1}}}, "began anew itself"),
        ({"clock": HELD, "scenario_file": "gone.scenario.yaml"}, "is not there"),
    ],
)
def test_a_flight_that_cannot_be_flown_again_is_refused(
    folder: Path, changes: dict[str, object], says: str
) -> None:
    """With the reason, before anything flies."""
    known = manifests.read(folder)
    built_in = known.vehicle.model_copy(update={"kind": "built-in"})
    manifests.write(known.model_copy(update={"vehicle": built_in, **changes}), folder)
    with pytest.raises(UsageError, match=says):
        original_of(read_flight(folder))
    manifests.write(known, folder)


def test_a_time_without_a_unit_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """As everywhere, a number says what it counts."""
    with pytest.raises(SystemExit):
        main(["when", "flight", "--within", "3"])
    assert "unit" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("moments", "clear", "says"),
    [
        ([Moment(0, 59, 59, 59)], True, "all but certain from the start"),
        ([Moment(0, 10, 2, 10), Moment(990, 10, 3, 10)], True, "Nothing was decided before the end"),
        ([Moment(0, 10, 2, 10), Moment(500, 59, 59, 59)], True, "From 5.00 s on failure was all but certain"),
        ([Moment(0, 10, 2, 10), Moment(500, 10, 10, 10)], False, "Not clear after 20 branches"),
        ([], False, "no branch"),
    ],
    ids=["start", "end", "between", "unclear", "none"],
)
def test_the_answer_says_what_was_found(moments: list[Moment], clear: bool, says: str) -> None:
    """One sentence for each way it can end; the picture can be drawn of each."""
    found = Found(1000, moments, clear)
    found.fit()
    assert says in answer(found)
    assert picture(found, [(2.0, "gnss-jump")]).count("<circle") == len(moments)

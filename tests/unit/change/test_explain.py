"""The story of a flight: in order of time, in ten lines, and held against the nearest flight that passed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from pymavlink.dialects.v20 import development as mavlink

from asflown.change.explain import MOST_LINES, explain, nearest_that_passed
from asflown.change.happenings import happenings
from asflown.change.sets import FlownFlight, read_flight
from asflown.grade.grade import write_grade
from asflown.grade.result import Grade, Measured
from asflown.record.manifest import SafetyEvent, ScriptRecord
from asflown.scenario.model import Limit
from tests.unit.change.flown import DOWN, UP, flight, speed

FAILED = Measured(
    "landing_offset", "m", 2.4, Limit(at_most=1.0), -1.4, "estimate", "leg 3 (land)", 4.5,
    "leg 3 (land) ended 2.40 m away",
)  # fmt: skip
LOST = (2.9, mavlink.MAVLink_statustext_message(4, b"GNSS lost"))
REFUSED = (2.1, mavlink.MAVLink_command_ack_message(178, 2))
GAP = [one for one in DOWN if one[0] < 2.2 or one[0] > 4.8]


def failed(folder: Path, **changes: Any) -> FlownFlight:
    """A flight that landed elsewhere."""
    flight(folder, verdict="fail", **changes)
    reason = "landing_offset: leg 3 (land) ended 2.40 m away"
    write_grade(folder, Grade("fail", reason, (FAILED,), (), (), (), ""))
    return read_flight(folder)


def test_the_story_is_told_in_the_order_of_time(tmp_path: Path) -> None:
    """Expected, happened, what was asked before, the first sign, what followed."""
    down = [*DOWN, LOST, REFUSED]
    story = explain(failed(tmp_path / "a", down=down, started_utc="2026-03-02T10:00:00Z"))
    assert [(one.what, one.at_s and round(one.at_s, 1)) for one in story.lines] == [
        ("expected", None),
        ("happened", None),
        ("before", 2.0),
        ("first sign", 2.1),
        ("then", 2.9),
        ("then", 3.0),
        ("then", 4.0),
        ("then", 4.5),
        ("nearest", None),
    ]
    assert story.lines[3].says == "the vehicle denies: change the speed (DO_CHANGE_SPEED)"
    assert story.lines[4].says == "the vehicle says 'GNSS lost'"
    assert story.lines[0].says == "nest-boxes; among it landing_offset at most 1.00 m"


def test_a_story_has_ten_lines_at_most(tmp_path: Path) -> None:
    """However much happened."""
    down = [*DOWN, *((1.2 + k / 50, LOST[1]) for k in range(40)), REFUSED]
    up = [(1 + k / 10, speed(k)) for k in range(20)]
    earlier = flight(tmp_path / "earlier", started_utc="2026-01-01T10:00:00Z")
    assert len(explain(failed(tmp_path / "a", down=down, up=up), [earlier]).lines) <= MOST_LINES


def test_what_stands_out_is_found_in_every_capture(tmp_path: Path) -> None:
    """Silence, the guard's doing, and a script that ended badly."""
    script = ScriptRecord(command=[], exit_code=1, ended="exited", ended_us=4_800_000)
    one = flight(tmp_path / "a", down=GAP, script=script, problem="the script exited with 1: no position")
    says = [found.says for found in happenings(one) if found.weight == 3]
    assert says == [
        "nothing is heard of the vehicle for 2.8 s",
        "the script exited with 1: no position",
    ]


def test_the_nearest_flight_is_earlier_passed_and_most_alike(tmp_path: Path) -> None:
    """Fewest given differences first, then the seed, then the latest."""
    began: dict[str, Any] = {"started_utc": "2026-02-01T10:00:00Z"}
    others = [
        flight(tmp_path / "other release", vehicle={"release": "r2"}, **began),
        flight(tmp_path / "other seed", seed=2, **began),
        flight(tmp_path / "alike", started_utc="2026-01-01T10:00:00Z"),
        flight(tmp_path / "later", started_utc="2026-04-01T10:00:00Z"),
        flight(tmp_path / "failed", verdict="fail", **began),
        flight(tmp_path / "other craft", vehicle={"name": "field1400"}, **began),
    ]
    found = nearest_that_passed(failed(tmp_path / "a"), others)
    assert found is not None
    assert found.folder.name == "alike"


def test_what_differs_from_the_nearest_is_told(tmp_path: Path) -> None:
    """By its first cause."""
    nearest = flight(tmp_path / "b", started_utc="2026-01-01T10:00:00Z")
    up = [UP[0], (2.0, speed(3.0)), *UP[2:]]
    story = explain(failed(tmp_path / "a", up=up, clock={"digest": "other"}), [nearest])
    assert story.lines[-1].what == "differs"
    assert story.lines[-1].says.startswith(
        "the script decided differently: the script sends the command to change the speed (COMMAND_LONG"
    )


def test_a_flight_that_passed_has_a_short_story(tmp_path: Path) -> None:
    """Nothing went wrong, so there is no sign of it."""
    story = explain(flight(tmp_path / "a"))
    assert [one.what for one in story.lines] == ["expected", "happened", "nearest"]
    assert story.lines[1].says == "it passed: 1 measure and 0 rules held"


def test_a_flight_that_was_not_carried_out_says_why(tmp_path: Path) -> None:
    """Its captures are not looked at."""
    one = failed(tmp_path / "a", outcome="error", safety_events=[SafetyEvent(at_s=1, what="x", cause="y")])
    assert [line.what for line in explain(one).lines] == ["expected", "happened", "nearest"]


MODE_CHANGES = {
    "by the vehicle, as in any flight": (
        {"by": "vehicle", "why": "take-off done"},
        1,
        "the vehicle itself changes",
    ),
    "by the vehicle, in distress": (
        {"by": "vehicle", "why": "its own failsafe"},
        3,
        "the vehicle itself changes",
    ),
    "by the guard": ({"by": "guard", "why": "asked for"}, 3, "the guard changes"),
    "by nobody known": ({"by": "unknown", "why": "nobody asked for it"}, 3, "somebody unknown changes"),
}


@pytest.mark.parametrize(("event", "weight", "says"), MODE_CHANGES.values(), ids=MODE_CHANGES.keys())
def test_changes_of_mode_that_the_script_did_not_ask_for_are_told(
    event: dict[str, str], weight: int, says: str, tmp_path: Path
) -> None:
    """At the time when they came; those that end a mode's work are no sign of trouble."""
    one = flight(tmp_path / "a")
    line = {
        "time_us": 2_500_000,
        "kind": "mode-change",
        "from": "set-points",
        "to": "land",
        "at_us": 2_000_000,
    }
    with (one.folder / "events.jsonl").open("a", encoding="utf-8") as events:
        events.write(json.dumps(line | event) + "\n")
    (found,) = [told for told in happenings(one) if "changes from" in told.says]
    assert (found.at_s, found.weight) == (2.0, weight)
    assert found.says == f"{says} from set-points to land: {event['why']}"

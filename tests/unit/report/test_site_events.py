"""What a flight's events say on its page."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from asflown.record.folder import EVENTS
from asflown.report.site.events import events_of


def told(folder: Path, *events: dict[str, Any]) -> list[tuple[float, str, str]]:
    """When, what and more, of events written into a folder; each has a second to itself unless it says otherwise."""
    lines = (json.dumps({"time_us": k * 1_000_000} | event) for k, event in enumerate(events))
    (folder / EVENTS).write_text("\n".join(lines), encoding="utf-8")
    return [(one.at_s, one.what, one.says) for one in events_of(folder)]


@pytest.mark.parametrize(
    ("event", "what", "says"),
    [
        ({"kind": "vehicle-ready", "checks": True}, "the vehicle is ready", ""),
        ({"kind": "script-ended", "how": "time-limit"}, "the script ends", "time-limit"),
        (
            {"kind": "mode-change", "from": "land", "to": "position-hold", "by": "vehicle", "why": "not flying"},
            "the mode changes", "land → position-hold, by vehicle: not flying",
        ),
        ({"kind": "safety", "what": "guard: link lost", "cause": "no heartbeat for 5 s"},
         "guard: link lost", "no heartbeat for 5 s"),
        ({"kind": "injected", "source": "guard", "message": 76}, "the guard sends", "COMMAND_LONG"),
        ({"kind": "injected", "source": "guard", "message": 16_000_000}, "the guard sends", "message 16000000"),
        ({"kind": "cut-off", "role": "script", "frames_dropped": 2}, "the script is cut off",
         "2 of its frames were waiting and are dropped"),
        ({"kind": "of-tomorrow", "how_much": 3, "why": "so"}, "of tomorrow", "how much: 3, why: so"),
    ],
)  # fmt: skip
def test_an_event_is_told_in_words(tmp_path: Path, event: dict[str, Any], what: str, says: str) -> None:
    """Also one of a kind that nobody knew when this was written."""
    assert told(tmp_path, event) == [(0.0, what, says)]


def test_what_repeats_is_told_once_and_in_the_order_of_time(tmp_path: Path) -> None:
    """With how often, and until when."""
    beat = {"kind": "injected", "source": "harness", "message": 0}
    found = told(tmp_path, beat, beat, beat, {"kind": "script-started", "time_us": 500_000})
    assert found == [
        (0.0, "the harness sends", "HEARTBEAT"),
        (0.5, "the script starts", ""),
        (1.0, "the harness sends", "HEARTBEAT, 2 times until 2.0 s"),
    ]


def test_half_a_line_is_left_out_and_what_guards_do_is_grave(tmp_path: Path) -> None:
    """A flight that was killed leaves such a line."""
    (tmp_path / EVENTS).write_text('{"time_us": 1, "kind": "guard-cause", "says": "low"}\n{"time_us": 2, "ki')
    (found,) = events_of(tmp_path)
    assert (found.what, found.says, found.grave) == ("the guard steps in", "low", True)

"""What `asflown link share` says while it goes on."""

from __future__ import annotations

import pytest

from asflown.cli.link_board import sentence, uplink_line

EVENTS = {
    "uplink-dropped": "no room on the way up: 3 of station-1: rest, 1 of pilot-2: pilot",
    "uplink-expired": "waited too long for the way up, and not sent: 3 of station-1: rest, 1 of pilot-2: pilot",
    "sticks": None,
}


@pytest.mark.parametrize(("kind", "words"), EVENTS.items(), ids=list(EVENTS))
def test_frames_that_were_not_sent_are_told_by_who_said_them(kind: str, words: str | None) -> None:
    """How many of whose, by level; what nobody needs to read is not said."""
    assert sentence(kind, {"frames": {"station-1.rest": 3, "pilot-2.pilot": 1}}) == words


def test_the_way_up_is_one_line() -> None:
    """Each level that had anything, with what was not sent and why, and what waits."""
    levels = ("pilot_command", "pilot", "guard", "command", "set_point", "rest")
    counters = {f"uplink.{level}.sent": 0 for level in levels}
    counters |= {
        "uplink.pilot.sent": 25,
        "uplink.rest.expired": 2,
        "uplink.rest.dropped": 7,
        "uplink.waiting": 4,
    }
    assert uplink_line(counters) == "up: pilot 25, rest 0 (7 dropped, 2 too late); 4 waiting"

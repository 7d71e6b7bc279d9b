"""Changes of mode of a vehicle that names its modes by CURRENT_MODE alone, whichever message tells them first."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from asflown.flight.guard_terms import GuardTerms
from asflown.flight.takeover import ModeChange
from tests.unit.flight.takeover_bench import SCRIPT, SECOND_US, Watching, set_mode

SAFE_RECOVERY, LAND, NON_STANDARD = 5, 7, 0
"""MAV_STANDARD_MODE."""
UNNAMED = "nobody asked for it, and the vehicle does not say why"


def comes_home() -> Watching:
    """On its way home, in its mode 61."""
    watching = Watching(GuardTerms())
    watching.beat(0.0, 61)
    watching.current_mode(0.1, SAFE_RECOVERY, 61)
    watching.tick(0.2)
    return watching


@pytest.mark.parametrize("heartbeat_s", [10.0, 10.5], ids=["HEARTBEAT first", "CURRENT_MODE first"])
def test_a_change_has_its_name_whichever_message_tells_it_first(heartbeat_s: float) -> None:
    """Arrived at home, it lands: nothing unknown in that, and the name is that of the new mode."""
    watching = comes_home()
    events: list[tuple[float, Callable[[], None]]] = [
        (heartbeat_s, lambda: watching.beat(heartbeat_s, 62)),
        (10.3, lambda: watching.current_mode(10.3, LAND, 62)),
    ]
    for _, event in sorted(events, key=lambda pair: pair[0]):
        event()
    watching.tick(10.6)
    at_us = round(min(heartbeat_s, 10.3) * SECOND_US)
    assert watching.records == [ModeChange(at_us, "safe-recovery", "land", 62, "vehicle", "arrived at home")]


def test_a_mode_without_its_name_yet_is_not_what_the_script_asked_for() -> None:
    """The script asked for a landing, and the vehicle turned to come home instead."""
    watching = Watching(GuardTerms())
    watching.beat(0.0, 60)
    watching.current_mode(0.1, 1, 60)
    watching.takeover.script_frame(9 * SECOND_US, SCRIPT.command(number=21))
    watching.beat(10.0, 61)
    watching.current_mode(10.4, SAFE_RECOVERY, 61)
    watching.tick(11.5)
    assert watching.records == [
        ModeChange(10 * SECOND_US, "position-hold", "safe-recovery", 61, "unknown", UNNAMED)
    ]


def test_a_name_is_not_waited_for_longer_than_a_reason() -> None:
    """A second and a half; then the number must do, and what was asked for by name may be it."""
    watching = comes_home()
    watching.takeover.guard_asked(9 * SECOND_US, "set-down")
    watching.beat(10.0, 62)
    watching.tick(11.499999)
    assert watching.records == []
    watching.tick(11.5)
    assert watching.records == [ModeChange(10 * SECOND_US, "safe-recovery", None, 62, "guard", "asked for")]


def test_a_name_that_cannot_come_any_more_is_not_waited_for() -> None:
    """The vehicle has gone on to another mode, of which CURRENT_MODE will speak."""
    watching = comes_home()
    watching.takeover.script_frame(9 * SECOND_US, set_mode(SCRIPT, 62))
    watching.beat(10.0, 62)
    assert watching.records == []
    watching.beat(10.1, 63)
    assert watching.records == [ModeChange(10 * SECOND_US, "safe-recovery", None, 62, "script", "asked for")]


def test_a_mode_that_has_no_standard_name_is_told_by_its_number_at_once() -> None:
    """CURRENT_MODE says so; and of a vehicle that never sends it no name is to come."""
    for watching in (comes_home(), Watching(GuardTerms())):
        watching.beat(0.3, 61)
        watching.takeover.script_frame(9 * SECOND_US, set_mode(SCRIPT, 62))
        if watching.watch.seen.says_mode:
            watching.current_mode(10.0, NON_STANDARD, 62)
        watching.beat(10.0, 62)
        assert [(change.after, change.by) for change in watching.records] == [(None, "script")]
